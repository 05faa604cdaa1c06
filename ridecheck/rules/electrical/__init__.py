"""Rules of the family "electrical"."""
