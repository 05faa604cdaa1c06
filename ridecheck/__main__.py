"""``python -m ridecheck`` does what the command ``ridecheck`` does."""

from ridecheck.cli import main

if __name__ == "__main__":
    main()
