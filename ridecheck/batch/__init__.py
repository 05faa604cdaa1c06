"""Many logs: taken in, judged in several processes, weighed per bike, also by night."""
