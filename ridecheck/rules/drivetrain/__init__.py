"""Rules of the family "drivetrain"."""
