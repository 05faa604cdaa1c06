"""Small logs and layouts for the tests of the readers: text in, parts out."""

from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any

import pytest

from ridecheck.core.errors import LogError
from ridecheck.core.model import Part
from ridecheck.fleet import Layout
from ridecheck.intake.read import Reading, take_in
from ridecheck.intake.readers.unpack import Member, content_of

SECONDS = {"column": "t", "format": "seconds"}


def layout(*, time: Mapping[str, Any] | None = None, kind: str = "csv", **columns: Any) -> Layout:
    """A layout with these columns; ``file_...`` keys go to [file]. Time: t in seconds."""
    file = {k[5:]: v for k, v in columns.items() if k.startswith("file_")}
    mapped = {
        k: {"column": v} if isinstance(v, str) else v
        for k, v in columns.items()
        if not k.startswith("file_")
    }
    if not mapped:
        mapped = {"wheel_speed": {"column": "v"}}
    table = {"file": {"kind": kind, **file}, "columns": {"time": dict(time or SECONDS), **mapped}}
    return Layout.model_validate(table).named("bench")


def member(data: bytes | str, name: str = "T07_ride.csv") -> Member:
    """A log in memory under a name."""
    return Member(name, content_of(data.encode() if isinstance(data, str) else data))


def fleet(layouts: Mapping[str, Layout] | None = None, **bikes: str | None) -> SimpleNamespace:
    """A fleet with these layouts and bikes (id = the layout its file names, or None)."""
    known = {name: SimpleNamespace(layout=own) for name, own in (bikes or {"T07": "bench"}).items()}
    return SimpleNamespace(layouts=dict(layouts or {}), bikes=known)


def parts(
    data: bytes | str, how: Layout | None = None, *, name: str = "T07_ride.csv", **more: Any
) -> tuple[Part, ...]:
    """The parts of a log read by a layout (default: t in seconds, v as wheel speed)."""
    how = how if how is not None else layout()
    return take_in(member(data, name), fleet({"bench": how}), **more)


def part(data: bytes | str, how: Layout | None = None, **more: Any) -> Part:
    """The only part of a log."""
    (only,) = parts(data, how, **more)
    return only


def refusal(data: bytes | str, how: Layout | None = None, **more: Any) -> LogError:
    """The error a log is set aside with; it tells all three: what, where and what to do."""
    how = how if how is not None else layout()
    name = more.pop("name", "T07_ride.csv")
    with pytest.raises(LogError) as caught:
        _read_whole(Reading(member(data, name), fleet({"bench": how}), **more))
    error = caught.value
    assert error.what
    assert error.where
    assert error.what_to_do
    return error


def _read_whole(reading: Reading) -> None:
    list(reading.parts())
    if reading.problem is not None:
        raise reading.problem


def table(*rows: str, header: str = "t,v", end: str = "\n") -> str:
    """A CSV of these lines under a header."""
    return end.join((header, *rows)) + end


def speeds(of: Part) -> list[float | None]:
    """Wheel speeds of a part, rounded to 0.001."""
    return of.samples["wheel_speed"].round(3).to_list()


def seconds(of: Part) -> list[float]:
    """Times of a part from its first row, in seconds."""
    micros = of.samples["time"].dt.epoch("us").to_list()
    return [(m - micros[0]) / 1e6 for m in micros]


def said(of: Part, word: str) -> int:
    """Count of the first note whose message holds a word; 0 where none does."""
    return next((n.count for n in of.info.notes if word in n.message), 0)
