"""The BIKE stage: all results of one bike in time order, weighed into suspects and a verdict."""
