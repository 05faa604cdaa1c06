"""What rules share, measured once a ride."""
