"""Hand-made fleet reports to hold the reporters against. Nothing here was computed."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from ridecheck.core.model import (
    BeforeAfter,
    BikeReport,
    Cancel,
    ChannelFacts,
    ControlUse,
    Coverage,
    Curve,
    Evidence,
    FleetReport,
    Happened,
    LimitInForce,
    LimitUsed,
    MetAgain,
    NextCheck,
    Note,
    PartRef,
    Picture,
    Repair,
    ReportedFinding,
    RideSummary,
    SetAside,
    Severity,
    Sketch,
    Span,
    State,
    StoredFinding,
    Suspect,
    ToLog,
    Trend,
    Verdict,
)
from ridecheck.core.packed import packed
from ridecheck.reporters.cautions import CAUTIONS

NEWEST = datetime(2026, 5, 12, 14, 3, 11, 250_000, tzinfo=UTC)
SHA = "3f5a9c" + "0b" * 29

ACTIONS = {
    Verdict.KEEP_IN: "Take the key off the board. Do not ride it.",
    Verdict.INSPECT: "Do the listed checks before the next hire.",
    Verdict.NO_OPINION: "Not judged. Do the walk-round.",
    Verdict.RELEASE: "Do the walk-round as always.",
}


def picture(*, late: bool = True) -> Picture:
    """Front brake on for 1.9 s while cruise stays engaged and speed falls."""
    speeds = [(t / 10.0, 96.0 - max(t, 0) * 0.4) for t in range(-20, 40)]
    return Picture(
        zero_s=12.25,
        from_s=-2.0,
        to_s=3.9,
        stretch=Span(0.0, 1.9),
        curves=(
            Curve("wheel_speed", packed(speeds)),
            Curve("cruise_set_speed", packed([(-2.0, 96.0), (1.0, 96.0), (1.0, None)])),
            Curve("cruise_engaged", packed([(-2.0, 1.0), (1.9, 0.0)])),
            Curve("front_brake", packed([(-2.0, 0.0), (0.0, 1.0), (2.4, 0.0), (3.0, None)])),
            Curve("gear", packed([(-2.0, 5.0), (3.0, 4.0)])),
        ),
        limit=None if late else Curve("wheel_speed", packed([(-2.0, 93.0), (3.9, 93.0)])),
        allowed=Span(0.0, 0.55) if late else None,
    )


def sketch(*, share: float = 0.982) -> Sketch:
    """An hour with one gap, three holds, both brakes seen, top gear."""
    hour_s = 3604.05
    cells = [(50.0 + 4.0 * i, 46.1 * (50.0 + 4.0 * i), 40.0 + 5.0 * i) for i in range(14)]
    return Sketch(
        length_s=hour_s,
        rows_share=share,
        logged=(Span(0.0, 1700.0), Span(1765.0, hour_s)),
        held=(Span(300.0, 900.0), Span(1100.0, 1650.0), Span(2100.0, 2891.0)),
        speed=Curve("wheel_speed", packed([(0.0, 0.0), (300.0, 96.0), (3600.0, 90.0)])),
        controls=(
            ControlUse("front_brake", 31, 55.2, 3580.0, 11, off=True),
            ControlUse("rear_brake", 18, 40.1, 3400.0, 0, off=True),
            ControlUse("clutch", 0, 0.0, None, 0, off=True),
        ),
        gears=packed(cells),
        rpm_per_kmh=(86.9, 60.7, 52.4, 48.2, 46.1),
        odometer_km=18_204.6,
    )


def finding(
    bike: str,
    rule: str,
    message: str,
    *,
    severity: Severity = Severity.FAULT,
    start: datetime | None = NEWEST,
    is_open: bool = True,
    measured: float | None = None,
    limit: float | None = None,
    unit: str = "",
    doubt: str = "",
    carried_from: str = "",
    drawn: Picture | None = None,
) -> ReportedFinding:
    """A finding of 1.5 s in the newest ride."""
    return ReportedFinding(
        finding=StoredFinding(
            id=f"{bike}/{rule}/{start:%Y%m%dT%H%M%SZ}"
            if start
            else f"{bike}/{rule}/{SHA[:12]}-0+12",
            rule=rule,
            severity=severity,
            ride=ride_id(bike, start),
            start=start,
            end=start + timedelta(seconds=1.5) if start else None,
            start_s=12.25,
            end_s=13.75,
            message=message,
            measured=measured,
            limit=limit,
            unit=unit,
            channels=("cruise_engaged", "front_brake"),
            doubt=doubt,
            carried_from=carried_from,
            picture=drawn,
        ),
        open=is_open,
    )


def ride_id(bike: str, start: datetime | None) -> str:
    """Id of the example ride of a bike."""
    return f"{bike}-{start:%Y%m%d}T131500Z" if start else f"{bike}-undated-{SHA[:12]}-0"


def ride(bike: str, *, start: datetime | None = NEWEST, log: str = "") -> RideSummary:
    """An hour on the road, most of it with cruise engaged."""
    begin = start.replace(hour=13, minute=15, second=0, microsecond=0) if start else None
    name = log or f"{bike}_2026-05-12.csv"
    return RideSummary(
        ride=ride_id(bike, start),
        log=name,
        sha256=SHA,
        parts=(PartRef(log=name, sha256=SHA, part=f"{SHA[:12]}-0"),),
        start=begin,
        end=begin + timedelta(hours=1, seconds=4.05) if begin else None,
        start_from="column" if start else "unknown",
        samples=72_081,
        distance_km=61.249,
        engaged_s=2105.4,
        engaged_km=52.35,
        engagements=6,
        aliases=(),
        notes=(Note("rows", "rows with another number of fields left out", 3),),
        channels={
            "wheel_speed": ChannelFacts(interval_s=0.05, present=1.0),
            "front_brake": ChannelFacts(interval_s=0.05, present=0.9986),
        },
        counts=start is not None,
        sketch=sketch(),
    )


def cancel(bike: str, **changes: object) -> Cancel:
    """A uncommanded cancel."""
    told = Cancel(
        ride=ride_id(bike, NEWEST),
        t_s=2891.25,
        time=NEWEST,
        local_time="2026-05-12 15:03:11.250",
        file_time="14:03:11.25",
        row=57_830,
        speed_kmh=104.26,
        cause="front_brake",
        commanded=False,
        evidence=(
            Evidence("control_on", {"channel": "front_brake", "lead_s": 0.06, "length_s": 0.08}),
            Evidence("repeated", {"count": 11.0, "longest_s": 0.08, "off": 9.0}),
        ),
        gear=5,
        pulse_s=0.08,
        first_mover="front_brake",
        resolution_s=0.05,
        not_logged=("roll_off",),
        inferred=False,
        wanted_back=True,
        picture=picture(),
    )
    return replace(told, **changes)


def bike(tag: str, verdict: Verdict = Verdict.RELEASE, **changes: object) -> BikeReport:
    """A bike with one ride and nothing else to tell."""
    told = BikeReport(
        bike=tag,
        label=f"Number {tag[1:].lstrip('0')}",
        model="touring-triple-five",
        verdict=verdict,
        previous_verdict=verdict,
        because=(),
        action=ACTIONS[verdict],
        not_covered=(),
        last_data=NEWEST,
        rides=(ride(tag),),
        coverage=(
            Coverage("cruise/engaged-under-braking", State.OK, "", 1820.0, 7),
            Coverage("switches/brake-dead", State.OK, "", 0.0, 12),
        ),
    )
    return replace(told, **changes)


def held_bike() -> BikeReport:
    """The one that must not go out: cruise stayed on under the brake."""
    tag = "T07"
    return bike(
        tag,
        Verdict.KEEP_IN,
        label="Number seven, grey",
        previous_verdict=Verdict.RELEASE,
        because=(
            "Cruise stayed engaged for 1.9 s with the front brake on at 96 km/h, longest allowed "
            "0.55 s (12 May 2026 14:03:11 UTC).",
        ),
        findings=(
            finding(
                tag,
                "cruise/engaged-under-braking",
                "cruise stayed engaged for 1.90 s with the front brake on, from 96.2 km/h to "
                "88.0 km/h",
                severity=Severity.DANGER,
                measured=1.9,
                limit=0.55,
                unit="s",
                drawn=picture(),
            ),
            finding(
                tag,
                "switches/short-pulses",
                "front brake on for 0.05 s with no slowing, 11 times in 61 km",
                severity=Severity.WATCH,
                measured=11.0,
                limit=3.0,
                unit="",
            ),
            finding(
                tag,
                "cruise/hold-offset",
                "held 2.6 km/h below the set speed on level road for 40 s",
                is_open=False,
                measured=2.6,
                limit=2.0,
                unit="km/h",
                start=NEWEST - timedelta(days=9),
            ),
        ),
        cancels=(
            cancel(tag),
            cancel(
                tag,
                t_s=2990.0,
                time=NEWEST + timedelta(seconds=99),
                cause="rear_brake",
                commanded=True,
                evidence=(Evidence("control_on", {"channel": "rear_brake", "lead_s": 0.1}),),
                first_mover="rear_brake",
                wanted_back=False,
                pulse_s=None,
            ),
            cancel(
                tag,
                t_s=3100.0,
                time=NEWEST + timedelta(seconds=209),
                cause="unexplained",
                commanded=None,
                evidence=(),
                first_mover=None,
                gear=None,
                pulse_s=None,
                not_logged=("roll_off", "side_stand", "supply_voltage"),
                wanted_back=False,
            ),
        ),
        suspects=(
            Suspect(
                part="front_brake_switch",
                probability=0.7134,
                evidence_for=("11 uncommanded short pulses in 61 km, 9 with cruise off",),
                against=("the lamp line was steady at standstill for 4 min",),
                not_logged=("roll_off",),
                also_serves=("brake lamp",),
            ),
            Suspect(part="control_unit", probability=0.05, not_logged=("supply_voltage",)),
        ),
        next_checks=(
            NextCheck(
                check="lamp-by-each-control",
                part="front_brake_switch",
                minutes=1,
                how="Key on, touch nothing, look at the brake lamp. Then pull each control "
                "lightly, alone.",
                caution="A control that does not light the lamp: the bike stays in.",
            ),
            NextCheck(
                check="tap-test",
                part="front_brake_switch",
                minutes=5,
                how="Tap the lever perch and watch the lamp.",
                caution="Engine off.",
            ),
        ),
        coverage=(
            Coverage(
                "cruise/engaged-under-braking", State.FAULT, "1 finding in 7 brakings", 1820.0, 7
            ),
            Coverage("switches/brake-dead", State.OK, "", 0.0, 12),
            Coverage(
                "cruise/throttle-stays-open",
                State.NOT_ASSESSED,
                "throttle_grip is not logged",
                0.0,
                0,
            ),
            Coverage("speed/jumps", State.ERROR, "ZeroDivisionError", 0.0, 0),
        ),
        to_log=(
            ToLog(("throttle_grip",), None, 0.1, ("cruise/throttle-stays-open",), danger=True),
            ToLog(("supply_voltage",), 1.0, 0.2, ("electrical/supply-dips",), danger=False),
        ),
        limits=(
            LimitInForce(
                "cruise/engaged-under-braking", LimitUsed("cancel_within_s", 0.5, "s", "model")
            ),
        ),
        repairs=(REPAIRED,),
        trends=(
            Trend("supply", "V", (("T07-20260503T131500Z", 13.9),), None, 13.9, "too_few", None),
        ),
        history=(
            Happened(REPAIRED.when, "repair", "speed_sensor", "plug cleaned", "JK", day_only=True),
            Happened(
                NEWEST - timedelta(days=8),
                "dismissed",
                "",
                "logger was loose",
                "M.K.",
                about=f"{tag}/cruise/hold-offset",
            ),
        ),
    )


REPAIRED = Repair(
    when=datetime(2026, 5, 3, tzinfo=UTC),
    day_alone=True,
    part="speed_sensor",
    note="plug cleaned",
    by="JK",
    rides_before=6,
    rides_after=2,
    engaged_km_before=212.0,
    engaged_km_after=61.2,
    engaged_h_before=2.4,
    engaged_h_after=0.7,
    counts=(
        BeforeAfter(
            "uncommanded_cancels", "engaged_km", 212.0, 61.2, 5, 0, 3, 0, 2.0, 0.465, 335.0
        ),
    ),
    decides="uncommanded_cancels",
    hold_before_kmh=0.52,
    hold_after_kmh=0.5,
    met_again=(MetAgain("bumps", 3, 0.2), MetAgain("leaning", 1, 0.0)),
    dangers=(),
    outcome="clean_so_far",
)
"""Five cancels in three bursts, then too few kilometres to say."""


def forty_bikes() -> FleetReport:
    """1 keep in, 3 inspect, 5 no opinion, 31 release; 2 logs not read."""
    inspect = (
        bike(
            "T12",
            Verdict.INSPECT,
            because=(
                "The uncommanded short pulse on the front brake line came 11 times in 61 km, 9 of "
                "them with cruise off.",
            ),
            findings=(finding("T12", "switches/short-pulses", "front brake on for 0.05 s"),),
        ),
        bike(
            "T03",
            Verdict.INSPECT,
            previous_verdict=Verdict.RELEASE,
            because=("Three cancels with no logged cause in 212 km engaged.",),
        ),
        bike("T29", Verdict.INSPECT, because=("Speed read 0 for 0.4 s at 110 km/h, 4 times.",)),
    )
    unjudged = (
        bike(
            "T40",
            Verdict.NO_OPINION,
            rides=(ride("T40", start=None),),
            last_data=None,
            previous_verdict=None,
            because=("No ride with a known date.",),
            findings=(finding("T40", "data/clock-steps", "clock stands at 1970", start=None),),
            coverage=(),
        ),
        bike("T18", Verdict.NO_OPINION, because=("The newest ride is 19 days old, 14 allowed.",)),
        bike("T19", Verdict.NO_OPINION, because=("Brake signals seen in 1 of 3 decelerations.",)),
        bike(
            "T20",
            Verdict.NO_OPINION,
            because=("The newest ride fits touring-twin-six better than touring-triple-five.",),
        ),
        bike("T21", Verdict.NO_OPINION, rides=(), because=("No ride.",), last_data=None),
    )
    taken = {b.bike for b in (*inspect, *unjudged)} | {"T07"}
    released = tuple(released_bike(f"T{n:02d}") for n in range(1, 41) if f"T{n:02d}" not in taken)
    everyone = sorted((held_bike(), *inspect, *unjudged, *released), key=lambda b: b.bike)
    return report(
        *everyone,
        set_aside=(
            aside("T33_2026-05-12.csv", "columns are missing", "line 1", "no column 'VSS'"),
            aside("scan 0001.csv", "this is a picture, not a table", "first bytes", "PNG"),
        ),
    )


def released_bike(tag: str) -> BikeReport:
    """Released; some with a word beside it."""
    if tag == "T05":
        return bike(tag, because=("seen once: cancel with no logged cause at 96 km/h",))
    if tag in ("T08", "T09"):
        return bike(tag, not_covered=("engages by itself (buttons not logged)",))
    return bike(tag)


def aside(log: str, what: str, where: str, value: str) -> SetAside:
    """A log that could not be used."""
    return SetAside(
        log=log,
        sha256=SHA,
        what=what,
        where=where,
        value=value,
        what_to_do="compare the file with its layout",
        first_seen=NEWEST,
    )


def report(*bikes: BikeReport, set_aside: tuple[SetAside, ...] = ()) -> FleetReport:
    """A fleet of the given bikes."""
    return FleetReport(
        fleet="Hollow Hill Tours",
        version="0.1.0",
        generated_at=datetime(2026, 5, 13, 4, 0, tzinfo=UTC),
        as_of=datetime(2026, 5, 13, 0, 0, tzinfo=UTC),
        time_zone="Europe/Lisbon",
        cautions=CAUTIONS,
        bikes=bikes,
        set_aside=set_aside,
    )


HOSTILE = "<script>alert(1)</script>\x1b[31m\u202e =1+1 " + "ü漢" * 100
"""A label that must neither run, colour, turn nor burst a page or a line."""


def many_bikes(number: int, *, rides: int = 10) -> FleetReport:
    """A fleet of so many bikes like the forty, each with so many rides and its cancels."""
    like = forty_bikes().bikes
    return report(*(_like(like[i % len(like)], i, rides) for i in range(number)))


def _like(model: BikeReport, number: int, rides: int) -> BikeReport:
    tag = f"B{number:03d}"
    days = [NEWEST - timedelta(days=2 * d) for d in range(rides)]
    if not model.last_data:
        return replace(model, bike=tag)
    return replace(
        model,
        bike=tag,
        label=f"Number {number}, {('grey', 'sand', 'dark green')[number % 3]}",
        rides=tuple(
            replace(ride(tag, start=day), counts=(number + d) % 17 != 0)
            for d, day in enumerate(days)
        ),
        cancels=tuple(
            cancel(
                tag, ride=ride_id(tag, day), time=day, commanded=(True, True, None, False)[k % 4]
            )
            for d, day in enumerate(days)
            for k in range((number * 7 + d * 5) % 6)
        ),
    )


def busy_bike(events: int = 50) -> BikeReport:
    """A bike with so many uncommanded cancels, each with its strip."""
    times = [NEWEST + timedelta(minutes=n) for n in range(events)]
    found = (finding("T07", "cruise/cancel-without-cause", "no cause", drawn=picture()),)
    return replace(
        held_bike(),
        cancels=tuple(cancel("T07", time=t, t_s=60.0 * n) for n, t in enumerate(times)),
        findings=(*held_bike().findings, *found),
    )
