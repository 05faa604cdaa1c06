"""Rules of the family "switches"."""
