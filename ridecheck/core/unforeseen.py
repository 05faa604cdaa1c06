"""What may go wrong that nobody foresaw, in one log, one ride or one rule."""

from polars.exceptions import PanicException

UNFORESEEN = (Exception, PanicException)
"""What one log, one ride or one rule may raise that nobody foresaw. A panic inside polars is no
Exception; caught where an Exception is, it does not end the night either."""
