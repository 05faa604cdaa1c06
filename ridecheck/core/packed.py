"""Rows of figures as one line of text, as results keep the points of drawings.

One figure a line, as the rest of a result is written, would make a result three times as long.
"""

from collections.abc import Iterable, Sequence

Row = tuple[float | None, ...]


def packed(rows: Iterable[Sequence[float | None]]) -> str:
    """Rows as text: figures apart by a comma, rows by a blank; a blank figure is empty.

    >>> packed([(0.0, 96.2), (0.05, None)])
    '0,96.2 0.05,'
    """
    return " ".join(",".join("" if v is None else f"{v:.10g}" for v in row) for row in rows)


def unpacked(text: str) -> tuple[Row, ...]:
    """The rows of a packed text.

    >>> unpacked("0,96.2 0.05,")
    ((0.0, 96.2), (0.05, None))
    """
    return tuple(
        tuple(float(v) if v else None for v in row.split(",")) for row in text.split(" ") if row
    )
