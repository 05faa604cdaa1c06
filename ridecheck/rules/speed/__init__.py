"""Rules of the family "speed"."""
