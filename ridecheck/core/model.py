"""The frozen records that the stages hand to one another. Nothing here computes.

Times inside one ride are seconds from its start (``_s``). Instants in stored
records are UTC datetimes to the microsecond, or None where the log has no date.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Literal

import polars as pl


class Severity(StrEnum):
    """What a finding weighs, heaviest first."""

    DANGER = "danger"
    FAULT = "fault"
    WATCH = "watch"
    NOTE = "note"

    @property
    def rank(self) -> int:
        """0 is the heaviest."""
        return list(Severity).index(self)


class State(StrEnum):
    """What a rule can say of a ride."""

    OK = "ok"
    FAULT = "fault"
    NOT_ASSESSED = "not_assessed"
    ERROR = "error"


class Verdict(StrEnum):
    """What is advised for a bike, most urgent first."""

    KEEP_IN = "keep_in"
    INSPECT = "inspect"
    NO_OPINION = "no_opinion"
    RELEASE = "release"

    @property
    def rank(self) -> int:
        """0 is the most urgent."""
        return list(Verdict).index(self)


Dating = Literal["time", "date", "none"]
"""How well a log's instants are known: to the time, to the day alone, not at all."""

StartFrom = Literal["column", "preamble", "name", "name_date", "unknown"]
About = Literal["position", "clock", "rows", "values", "units", "duplicate"]


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a ride, both ends in seconds from its start, end >= start."""

    start_s: float
    end_s: float

    @property
    def length_s(self) -> float:
        """Seconds from start to end."""
        return self.end_s - self.start_s

    def widened(self, by_s: float) -> "Span":
        """Longer by so many seconds at both ends."""
        return Span(self.start_s - by_s, self.end_s + by_s)

    def overlaps(self, other: "Span") -> bool:
        """True where the two share an instant, touching ends included."""
        return self.start_s <= other.end_s and other.start_s <= self.end_s


@dataclass(frozen=True, slots=True)
class Note:
    """Something a reader of a log should know that is no finding about the bike.

    kind: notes of one log that are alike but for a figure in their words share it.
    """

    about: About
    message: str
    count: int = 0
    kind: str = ""


# ---------------------------------------------------------------- reading and keeping


@dataclass(frozen=True, slots=True)
class ChannelFacts:
    """What was measured of one channel of one part or ride.

    interval_s is the refresh interval (not the row interval): how long the channel
    takes to show a change. step is the smallest regular step between values (0.0 where
    none could be known; always 0.0 for switches). present is the share of rows with a
    value. skew_s is the layout's stated skew, never a learned one.
    """

    interval_s: float
    present: float
    step: float = 0.0
    skew_s: float = 0.0
    latched: bool = False


@dataclass(frozen=True, slots=True)
class PartInfo:
    """One uninterrupted part of one log, without its samples.

    stem is "<sha12>-<n>", the name of its file under rides/<bike>/. start and end are
    UTC instants; with dating "date" they count from 00:00 of the day, with "none" from
    1970-01-01T00:00Z, and only differences mean anything. cut_before marks a part that
    was cut off an overlong one: it continues it without a gap. out_of_range counts the
    values that were blanked because they cannot be, by channel. left_out: rows of its log
    that could not be read; partly: more of it than is allowed, so that the part convicts of
    dangers and clears nothing. stated: a person said which layout or bike it is.
    """

    stem: str
    bike: str
    log: str
    sha256: str
    rows_sha256: str
    read_key: str
    layout: str
    start: datetime
    end: datetime
    dating: Dating
    start_from: StartFrom
    rows: int
    row_interval_s: float
    channels: Mapping[str, ChannelFacts]
    notes: tuple[Note, ...] = ()
    out_of_range: Mapping[str, int] = field(default_factory=dict)
    cut_before: bool = False
    thinned: bool = False
    left_out: int = 0
    partly: bool = False
    stated: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """A part with its samples.

    samples: one row a logged row, in time order. Columns: ``time`` (Datetime us, UTC),
    ``row`` (UInt32, line number in the log as an editor shows it; row number from 1 for
    Parquet), ``file_time`` (String, the log's own time cell, as written), then the
    mapped channels: numbers Float64, ``gear`` Int16, switches Boolean. Null is blank:
    nothing is filled or held here.
    """

    info: PartInfo
    samples: pl.DataFrame


# ---------------------------------------------------------------- settings of one bike


@dataclass(frozen=True, slots=True)
class Drivetrain:
    """Engine turns per driven-wheel turn, first gear to top; rolling circumference in m."""

    overall_ratios: tuple[float, ...]
    circumference_m: float
    idle_rpm: float = 1000.0
    redline_rpm: float = 9000.0

    def rpm_per_kmh(self, gear: int) -> float:
        """Engine speed per km/h in a gear counted from 1."""
        return self.overall_ratios[gear - 1] * 1000.0 / (60.0 * self.circumference_m)


SpeedSource = Literal["driven_wheel", "front_wheel", "gearbox_output", "unknown"]


@dataclass(frozen=True, slots=True)
class SpeedSignal:
    """Where the bike's own speed signal is taken from, and how it reads.

    reading_stated False: nobody says how it reads; an instrument may then read high.
    """

    taken_from: SpeedSource = "unknown"
    reads_high_percent: float = 0.0
    resolution_kmh: float = 0.1
    reading_stated: bool = False


@dataclass(frozen=True, slots=True)
class Cruise:
    """What the model says of its cruise control. fitted None: true if it is logged.

    adaptive: it keeps a distance, and then holds less than the set speed.
    """

    fitted: bool | None = None
    minimum_kmh: float = 45.0
    maximum_kmh: float = 160.0
    hold_tolerance_kmh: float = 2.0
    must_cancel: tuple[str, ...] = ("front_brake", "rear_brake", "roll_off", "clutch")
    cancel_within_s: float = 0.5
    far_from_set_kmh: float = 16.0
    panel: tuple[str, ...] = ("power", "set", "resume")
    throttle: Literal["cable", "by_wire"] = "cable"
    adaptive: bool = False


SetBy = Literal["rule", "fleet", "model", "bike"]


@dataclass(frozen=True, slots=True)
class Override:
    """A threshold somebody set, and in which file."""

    value: float
    origin: SetBy


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything the RIDE stage may know besides the samples.

    thresholds: rule id -> threshold name -> the nearest override (rule's own default
    where absent). other_models: the drivetrains of the fleet's other models, by name;
    other_reads_high: by how many per cent their speed signals are stated to read high.
    """

    model: str
    drivetrain: Drivetrain
    speed_signal: SpeedSignal = SpeedSignal()
    cruise: Cruise = Cruise()
    thresholds: Mapping[str, Mapping[str, Override]] = field(default_factory=dict)
    other_models: Mapping[str, Drivetrain] = field(default_factory=dict)
    other_reads_high: Mapping[str, float] = field(default_factory=dict)


# ---------------------------------------------------------------- what a rule says


@dataclass(frozen=True, slots=True)
class Finding:
    """What a rule yields. message: one sentence with numbers and units, no rule id.

    strength, 0 to 1: how much of what is innocent it excludes. 0: a glove or a stone can do
    the same, only counts show; 1: nothing innocent does it, and it raises a bike alone.
    """

    span: Span
    message: str
    measured: float | None = None
    limit: float | None = None
    unit: str = ""
    channels: tuple[str, ...] = ()
    strength: float = 0.0


@dataclass(frozen=True, slots=True)
class Unjudged:
    """A stretch a rule could not judge, and why."""

    span: Span
    reason: str


@dataclass(frozen=True, slots=True)
class Exposure:
    """What would have shown the fault had it been there: seconds, events, or both."""

    seconds: float = 0.0
    events: int = 0


# ---------------------------------------------------------------- what is drawn


@dataclass(frozen=True, slots=True)
class Curve:
    """One channel over a drawing, thinned to what can be seen. None breaks the line.

    points: rows of seconds from the drawing's zero, rising, and a value, packed
    (``core.packed``). A number is a line through its points; a switch or a gear has a point
    where it changes and keeps that value to the next.
    """

    channel: str
    points: str


@dataclass(frozen=True, slots=True)
class Picture:
    """What was compared round one finding or cancel, as it is drawn.

    zero_s: seconds from the ride's start at which the drawing's time is 0; from_s and to_s:
    its ends. stretch: what is shaded. limit: the limit on the scale of its channel, where the
    measured figure stands on that scale too. allowed: up to where a limit in time lasted.
    """

    zero_s: float
    from_s: float
    to_s: float
    stretch: Span
    curves: tuple[Curve, ...]
    limit: Curve | None = None
    allowed: Span | None = None


@dataclass(frozen=True, slots=True)
class ControlUse:
    """How a switch was seen in a ride: times it came on, and how long the last one ago.

    last_s: when it last came on, from the ride's start, None where it never did. short:
    pulses of up to 0.2 s. off: was it ever seen off?
    """

    channel: str
    times: int
    on_s: float
    last_s: float | None
    short: int
    off: bool


@dataclass(frozen=True, slots=True)
class Sketch:
    """A whole ride in little, as pages draw it. Spans are seconds from its start.

    rows_share: rows there of those expected. logged: stretches without a gap that can be
    seen. held: where cruise held. gears: rows of wheel speed in km/h, engine speed in rpm and
    the seconds spent near both, packed. rpm_per_kmh: the model's gears, first to top.
    """

    length_s: float
    rows_share: float
    logged: tuple[Span, ...] = ()
    held: tuple[Span, ...] = ()
    speed: Curve | None = None
    controls: tuple[ControlUse, ...] = ()
    gears: str = ""
    rpm_per_kmh: tuple[float, ...] = ()
    odometer_km: float | None = None


# ---------------------------------------------------------------- what is stored


@dataclass(frozen=True, slots=True)
class StoredFinding:
    """A finding as kept in results/ and reported in the report.

    id is "<bike>/<rule>/<start to the second>". start and end are None in undated
    rides; start_s and end_s always count from the ride's start. carried_from names the
    version and layout that found an open danger which a later judging no longer finds.
    doubt says which signal, or the whole file, is in doubt.
    """

    id: str
    rule: str
    severity: Severity
    ride: str
    start: datetime | None
    end: datetime | None
    start_s: float
    end_s: float
    message: str
    measured: float | None
    limit: float | None
    unit: str
    channels: tuple[str, ...]
    doubt: str = ""
    carried_from: str = ""
    picture: Picture | None = None
    strength: float = 0.0


@dataclass(frozen=True, slots=True)
class LimitUsed:
    """A threshold as it was used, and who set it."""

    name: str
    value: float
    unit: str
    origin: SetBy


@dataclass(frozen=True, slots=True)
class RuleOutcome:
    """One rule over one ride. exposure_s and events count only what could have cleared."""

    rule: str
    state: State
    reason: str
    exposure_s: float
    events: int
    findings: int = 0
    limits: tuple[LimitUsed, ...] = ()


@dataclass(frozen=True, slots=True)
class Evidence:
    """Something seen at a cancel: its kind, and the figures and names that its sentence takes.

    A figure's name ends in its unit. Only ``reporters/evidence.py`` has the sentences.
    """

    kind: str
    figures: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Cancel:
    """One end of an engagement, as the contract's ``cancels`` shows it."""

    ride: str
    t_s: float
    time: datetime | None
    local_time: str | None
    file_time: str
    row: int
    speed_kmh: float | None
    cause: str
    commanded: bool | None
    evidence: tuple[Evidence, ...] = ()
    gear: int | None = None
    pulse_s: float | None = None
    first_mover: str | None = None
    resolution_s: float | None = None
    not_logged: tuple[str, ...] = ()
    inferred: bool = False
    wanted_back: bool = False
    picture: Picture | None = None


@dataclass(frozen=True, slots=True)
class PartRef:
    """Which part of which log a ride is made of."""

    log: str
    sha256: str
    part: str


@dataclass(frozen=True, slots=True)
class RideResult:
    """What was found in one ride: the content of results/<bike>/<ride>.json.

    fits_model False: the log is more likely another bike's, or in other units; fits
    names the fleet's models it fits better. layouts: those its parts were read with.
    measures holds numbers later stages learn from (name -> value), never judged here.
    left_out: rows of its logs that could not be read; partly_read: more than is allowed, so
    that the ride does not count. Its dangers do.
    """

    schema: str
    bike: str
    ride: str
    judge_key: str
    version: str
    model: str
    parts: tuple[PartRef, ...]
    dating: Dating
    start: datetime | None
    end: datetime | None
    start_from: StartFrom
    duration_s: float
    samples: int
    distance_km: float
    engaged_s: float
    engaged_km: float
    engagements: int
    channels: Mapping[str, ChannelFacts]
    rules: tuple[RuleOutcome, ...]
    findings: tuple[StoredFinding, ...]
    cancels: tuple[Cancel, ...]
    aliases: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()
    fits_model: bool = True
    fits: tuple[str, ...] = ()
    layouts: tuple[str, ...] = ()
    measures: Mapping[str, float] = field(default_factory=dict)
    sketch: Sketch | None = None
    left_out: int = 0
    partly_read: bool = False


# ---------------------------------------------------------------- has it become less


Outcome = Literal["danger", "fixed", "again", "less", "clean_so_far", "too_few", "nothing_before"]
"""What riding since a repair shows. fixed and less rest on evidence that holds at every look."""


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """One thing counted before and after a repair.

    what: uncommanded_cancels, short_pulses or signal_dropouts. per: the exposure it is
    counted over, engaged_km or km. Events within 15 minutes or 10 km of one another are one
    burst. evidence: see core.sequential; 20 settles it. one_look: exact chance of as few
    events had nothing changed, for a single look. more_km: further clean kilometres that
    would settle it; None where none would.
    """

    what: Literal["uncommanded_cancels", "short_pulses", "signal_dropouts"]
    per: Literal["engaged_km", "km"]
    km_before: float
    km_after: float
    events_before: int
    events_after: int
    bursts_before: int
    bursts_after: int
    evidence: float
    one_look: float
    more_km: float | None


@dataclass(frozen=True, slots=True)
class MetAgain:
    """An occasion in which it happened before, and how long cruise was held in it since.

    hours_since None: no ride since could show.
    """

    occasion: str
    cancels_before: int
    hours_since: float | None


@dataclass(frozen=True, slots=True)
class Repair:
    """A repair, and the rides before and after it (contract: ``repairs``).

    day_alone: the event gave a date without a time, so that day's rides are left out.
    decides: which of counts the outcome rests on; None where nothing was there to compare.
    hold_*: unsteadiness of speed while cruise held, None where no hold was logged.
    dangers: rules with an open danger, which kilometres never close.
    """

    when: datetime
    day_alone: bool
    part: str
    note: str
    by: str
    rides_before: int
    rides_after: int
    engaged_km_before: float
    engaged_km_after: float
    engaged_h_before: float
    engaged_h_after: float
    counts: tuple[BeforeAfter, ...]
    decides: str | None
    hold_before_kmh: float | None
    hold_after_kmh: float | None
    met_again: tuple[MetAgain, ...]
    dangers: tuple[str, ...]
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Trend:
    """One measure of a bike over its rides (contract: ``trends``).

    values: (ride, value) since the last repair, in time order. usual: the median of the
    first rides of that stretch. state: steady, step or slope (alarm says in which ride), or
    too_few rides. among: robust z of the newest rides against the model's other bikes.
    """

    measure: str
    unit: str
    values: tuple[tuple[str, float], ...]
    usual: float | None
    newest: float | None
    state: Literal["steady", "rising", "falling", "too_few"]
    alarm: str | None
    among: float | None = None


# ---------------------------------------------------------------- what a report shows


@dataclass(frozen=True, slots=True)
class RideSummary:
    """One ride as the report lists it (contract: ``rides``)."""

    ride: str
    log: str
    sha256: str
    parts: tuple[PartRef, ...]
    start: datetime | None
    end: datetime | None
    start_from: StartFrom
    samples: int
    distance_km: float
    engaged_s: float
    engaged_km: float
    engagements: int
    aliases: tuple[str, ...]
    notes: tuple[Note, ...]
    channels: Mapping[str, ChannelFacts]
    counts: bool = True
    sketch: Sketch | None = None


@dataclass(frozen=True, slots=True)
class ReportedFinding:
    """A stored finding and whether it is open."""

    finding: StoredFinding
    open: bool


@dataclass(frozen=True, slots=True)
class Suspect:
    """A part that may be at fault. evidence_for / against: sentences with numbers."""

    part: str
    probability: float
    evidence_for: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    not_logged: tuple[str, ...] = ()
    also_serves: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NextCheck:
    """A check a person can do next; caution is printed with it, always."""

    check: str
    part: str
    minutes: int
    how: str
    caution: str


@dataclass(frozen=True, slots=True)
class Coverage:
    """One rule over the rides that count."""

    rule: str
    state: State
    reason: str
    exposure_s: float
    events: int


@dataclass(frozen=True, slots=True)
class ToLog:
    """What to log, so that rules which could not judge can: any one of the channels.

    have_s: how often it is logged now, None where it is not. needed_s: how often it takes,
    None where any rate will do.
    """

    channels: tuple[str, ...]
    have_s: float | None
    needed_s: float | None
    rules: tuple[str, ...]
    danger: bool


@dataclass(frozen=True, slots=True)
class Happened:
    """Something a person did to a bike, or decided about it. about: a finding, rule or ride."""

    when: datetime
    kind: str
    part: str
    text: str
    by: str
    about: str = ""
    day_only: bool = False


@dataclass(frozen=True, slots=True)
class LimitInForce:
    """A threshold of a rule as the newest ride that counts was judged by it."""

    rule: str
    limit: LimitUsed


@dataclass(frozen=True, slots=True)
class BikeReport:
    """Everything the report says of one bike.

    since_repair: the newest repair in a few words. closing: what closes what was found.
    """

    bike: str
    label: str
    model: str
    verdict: Verdict
    previous_verdict: Verdict | None
    because: tuple[str, ...]
    action: str
    not_covered: tuple[str, ...]
    last_data: datetime | None
    rides: tuple[RideSummary, ...] = ()
    findings: tuple[ReportedFinding, ...] = ()
    cancels: tuple[Cancel, ...] = ()
    suspects: tuple[Suspect, ...] = ()
    next_checks: tuple[NextCheck, ...] = ()
    coverage: tuple[Coverage, ...] = ()
    repairs: tuple[Repair, ...] = ()
    trends: tuple[Trend, ...] = ()
    since_repair: str = ""
    closing: tuple[str, ...] = ()
    to_log: tuple[ToLog, ...] = ()
    history: tuple[Happened, ...] = ()
    limits: tuple[LimitInForce, ...] = ()


@dataclass(frozen=True, slots=True)
class SetAside:
    """A log that could not be used.

    bikes: whose log it is, as far as its name or its rows say; it holds them at no opinion.
    """

    log: str
    sha256: str
    what: str
    where: str
    value: str
    what_to_do: str
    first_seen: datetime
    bikes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FleetReport:
    """The whole report: bikes by id.

    time_zone and display_units ("metric" or "imperial") are for showing, never for judging.
    models_doubted: a sentence for each model whose bikes read alike what its file contradicts.
    """

    fleet: str
    version: str
    generated_at: datetime
    as_of: datetime | None
    time_zone: str
    cautions: tuple[str, ...]
    bikes: tuple[BikeReport, ...]
    set_aside: tuple[SetAside, ...]
    display_units: str = "metric"
    models_doubted: tuple[str, ...] = ()
