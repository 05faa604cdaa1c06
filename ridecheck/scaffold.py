"""A new fleet folder with commented examples: what ``ridecheck init`` writes."""
