"""Durations and logging rates as a person says them."""

MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86400


def spoken(seconds: float) -> str:
    """A duration in the unit a person would say, two units at most.

    Below ten seconds to the hundredth, below two minutes in seconds, below ten minutes in
    minutes and seconds, then in minutes, hours and minutes, days and hours.

    >>> [spoken(s) for s in (0.153, 9.5, 94, 270, 1476, 4500, 200000)]
    ['0.15 s', '9.50 s', '94 s', '4 min 30 s', '25 min', '1 h 15 min', '2 d 8 h']
    """
    if seconds < 9.995:
        return f"{seconds:.2f} s"
    whole_s = round(seconds)
    if whole_s < 2 * MINUTE_S:
        return f"{whole_s} s"
    if whole_s < 10 * MINUTE_S:
        return _two(whole_s, MINUTE_S, "min", "s")
    minutes = round(seconds / MINUTE_S)
    if minutes < 60:
        return f"{minutes} min"
    if seconds < 2 * DAY_S:
        return _two(minutes, 60, "h", "min")
    return _two(round(seconds / HOUR_S), 24, "d", "h")


def rate(interval_s: float) -> str:
    """How often a channel is logged, of a slow one as an interval.

    >>> [rate(s) for s in (0.05, 0.1, 1.0, 0.333, 30.0)]
    ['20 Hz', '10 Hz', '1 Hz', '3 Hz', 'one value every 30 s']
    """
    if interval_s > 2.0:
        return f"one value every {interval_s:.3g} s"
    return f"{1.0 / interval_s:.2g} Hz"


def _two(number: int, of: int, large: str, small: str) -> str:
    whole, rest = divmod(number, of)
    return f"{whole} {large} {rest} {small}" if rest else f"{whole} {large}"
