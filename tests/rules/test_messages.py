"""What findings say, where the figures could make a sentence foolish."""

import pytest

from ridecheck.rules.cruise.throttle_lags import _moved


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        (8.1, 8.4, "stayed at 8 %"),
        (8.4, 8.6, "went from 8 % to 9 %"),
        (8.0, 3.0, "went from 8 % to 3 %"),
    ],
)
def test_a_throttle_that_moved_by_less_than_is_printed_stayed(first, last, said):
    assert _moved(first, last) == said
