"""Repairs, trends and history of a bike as text and CSV."""

from collections.abc import Iterator, Mapping

from ridecheck.core.model import BeforeAfter, BikeReport, Happened, Repair, Trend
from ridecheck.reporters.csv_report import Cell, table
from ridecheck.reporters.display_units import sentence as in_units
from ridecheck.reporters.proof_json import count_dict
from ridecheck.reporters.proof_words import (
    WHAT,
    counted,
    deciding,
    figure,
    first_sentence,
    hours,
    km,
    met_sentence,
    more_sentence,
    when,
)
from ridecheck.reporters.wording import z_time

MEASURES = {
    "short_pulses": "short pulses",
    "hold_unsteadiness": "unsteadiness of hold",
    "wheel_against_gps": "wheel speed against GPS",
    "wheel_against_engine": "wheel speed against engine speed",
    "supply": "supply voltage while riding",
}
STANDS_OUT = 3.5
"""A robust z beyond this is no scatter among bikes of a model (common practice)."""


def proof_text(bike: BikeReport, *, zone: str, units: str = "metric") -> str:
    """Everything of a bike's repairs, trends and history, for a terminal."""
    lines: list[str] = []
    for repair in bike.repairs:
        lines += [*_repair_lines(repair, zone), ""]
    if not bike.repairs:
        lines += [f"{bike.bike}: no repair is noted. Note one with: ridecheck note {bike.bike} "
                  "repair --part PART --by NAME", ""]  # fmt: skip
    if bike.closing:
        lines += ["What closes it", *(f"  {line}" for line in bike.closing), ""]
    if bike.trends:
        lines += ["Over its rides", *(f"  {trend_line(t)}" for t in bike.trends), ""]
    lines += ["What happened", *(f"  {line}" for line in history_lines(bike, zone))]
    return "\n".join(in_units(line, units) for line in lines) + "\n"


def proof_lines(bike: BikeReport, *, zone: str, units: str = "metric") -> list[str]:
    """Repairs, trends that moved, and events, as sentences for the bike's page."""
    lines = [line.strip() for repair in bike.repairs for line in _repair_lines(repair, zone)]
    moved = ("rising", "falling")
    lines += [trend_line(t) for t in bike.trends if t.state in moved]
    lines += [*bike.closing, *(event_line(h, zone) for h in bike.history)]
    return [in_units(line, units) for line in lines]


def _repair_lines(repair: Repair, zone: str) -> Iterator[str]:
    part = repair.part.replace("_", " ") or "part not named"
    by = f", by {repair.by}" if repair.by else ""
    yield f"Repair of {when(repair.when, repair.day_alone, zone)}: {part}{by}"
    for text in (first_sentence(repair), more_sentence(repair), met_sentence(repair)):
        if text:
            yield f"  {text}"
    yield (
        f"  Rides: {repair.rides_before} before ({hours(repair.engaged_h_before)} with cruise "
        f"held), {repair.rides_after} since ({hours(repair.engaged_h_after)})."
        + (" That day's rides are left out: the note gives no time." if repair.day_alone else "")
    )
    for count in repair.counts:
        yield f"  {count_line(count)}"
    if repair.hold_before_kmh is not None and repair.hold_after_kmh is not None:
        yield (
            f"  Speed while cruise held strayed by {repair.hold_before_kmh:.2f} km/h before, "
            f"{repair.hold_after_kmh:.2f} km/h since."
        )


def count_line(count: BeforeAfter) -> str:
    """One count with what a single look at it would say."""
    noun, how = WHAT[count.what]
    return (
        f"{noun}s: {count.bursts_before} in {km(count.km_before)} km{how} before, "
        f"{count.bursts_after} in {km(count.km_after)} km since; looked at once, the chance of so "
        f"few had nothing changed is {count.one_look:.2g}; evidence {figure(count.evidence)} "
        "of 20 needed"
    )


def trend_line(trend: Trend) -> str:
    """One measure over the rides."""
    name = MEASURES[trend.measure]
    newest = "" if trend.newest is None else f", {trend.newest:.3g} {trend.unit} lately"
    if trend.state == "too_few":
        text = f"{name}: too few rides to compare ({len(trend.values)}){newest}"
    elif trend.state == "steady":
        text = f"{name}: steady, usually {trend.usual:.3g} {trend.unit}{newest}"
    else:
        usual = f"usually {trend.usual:.3g} {trend.unit}"
        text = f"{name}: {trend.state} since {trend.alarm}, {usual}{newest}"
    if trend.among is not None and abs(trend.among) > STANDS_OUT:
        side = "above" if trend.among > 0 else "below"
        text += f"; far {side} the model's other bikes (robust z {trend.among:.1f})"
    return text


def history_lines(bike: BikeReport, zone: str) -> list[str]:
    """Rides and events on one line of time, undated rides last."""
    lines = [(h.when, event_line(h, zone)) for h in bike.history]
    undated = []
    for ride in bike.rides:
        cancels = [c for c in bike.cancels if c.ride == ride.ride]
        ended = f", {counted(len(cancels), 'cancel')}" if cancels else ""
        ended += f", {sum(c.commanded is False for c in cancels)} uncommanded" if cancels else ""
        at = when(ride.start, False, zone) if ride.start else "date unknown"
        line = f"{at}  ride, {km(ride.engaged_km)} km with cruise held{ended}"
        if ride.start:
            lines.append((ride.start, line))
        else:
            undated.append(line)
    return [line for _, line in sorted(lines, key=lambda x: x[0])] + undated


def event_line(line: Happened, zone: str) -> str:
    """One event: when, what, on what, by whom."""
    said = "; ".join(f for f in (line.part.replace("_", " "), line.about, line.text) if f)
    by = f" (by {line.by})" if line.by else ""
    at = when(line.when, line.day_only, zone)
    return f"{at}  {line.kind.replace('_', ' ')}{': ' if said else ''}{said}{by}"


COLUMNS = (
    "bike", "when", "part", "by", "outcome", "sentence", "decides", "km_before", "km_after",
    "bursts_before", "bursts_after", "evidence", "one_look", "more_km",
)  # fmt: skip


def proof_csv(bike: BikeReport) -> str:
    """One line a repair."""
    return table([_row(bike, r) for r in bike.repairs], COLUMNS)


def _row(bike: BikeReport, repair: Repair) -> Mapping[str, Cell]:
    count = deciding(repair)
    counted = count_dict(count) if count else dict.fromkeys(COLUMNS)
    row = {
        "bike": bike.bike,
        "when": z_time(repair.when),
        "part": repair.part,
        "by": repair.by,
        "outcome": repair.outcome,
        "sentence": first_sentence(repair),
        "decides": repair.decides,
    }
    return row | {name: counted[name] for name in COLUMNS if name not in row}
