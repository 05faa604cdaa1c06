"""What ridecheck writes: parts of rides, results, the index, logs set aside."""
