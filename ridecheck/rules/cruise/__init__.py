"""Rules of the family "cruise"."""
