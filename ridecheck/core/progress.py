"""How far a long job has come."""

from collections.abc import Callable

Progress = Callable[[int, int], None]
"""Called with what is done and what there is to do."""
