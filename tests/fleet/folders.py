"""Fleet folders for tests: the smallest that loads, and one that states every key."""

from collections.abc import Mapping
from pathlib import Path

from ridecheck.core.thresholds import Limit
from ridecheck.fleet import Fleet, load_fleet

KNOWN = {
    "cruise/engaged-under-braking": {
        "cancel_within_s": Limit(
            0.5, "s", loosened_by="raising", danger=True, model="cruise.cancel_within_s"
        ),
        "slowest_kmh": Limit(10.0, "km/h", loosened_by="raising", danger=True),
    },
    "switches/brake-dead": {"least_decel": Limit(2.5, "m/s2", loosened_by="raising", danger=True)},
    "switches/rests-on": {"longest_s": Limit(20.0, "s", loosened_by="lowering", danger=True)},
    "cruise/hold-offset": {
        "offset_kmh": Limit(2.0, "km/h", loosened_by="raising", model="cruise.hold_tolerance_kmh"),
    },
}
"""Stand-ins for what the rules tell of their thresholds."""

MINIMAL = {
    "fleet.toml": 'name = "Hollow Hill Tours"\n',
    "models/grey-heron.toml": """\
[drivetrain]
primary_ratio = 1.62
gear_ratios = [2.55, 1.78, 1.36, 1.09, 0.91]
final_ratio = 2.45
driven_tyre = "170/60R17"
""",
    "bikes/T07.toml": 'bike = "T07"\nmodel = "grey-heron"\n',
    "layouts/bench.toml": '[file]\nkind = "csv"\n\n[columns.time]\ncolumn = "t"\n',
}

FULL = {
    "fleet.toml": """\
# every key
name = "Hollow Hill Tours"
time_zone = "Europe/Rome"
display_units = "imperial"

[verdict]
rides = 10
days = 20
data_max_age_days = 7.5
must_assess = [
    "switches/brake-dead",
]

[retention]
samples_days = 30

[reading]
cpu_s = 20
cpu_s_per_mb = 0.5

[thresholds."cruise/hold-offset"]
offset_kmh = 1.5
""",
    "models/grey-heron.toml": """\
[drivetrain]
primary_ratio = 1.62
gear_ratios = [2.55, 1.78, 1.36, 1.09, 0.91]
final_ratio = 2
driven_tyre = "170/60R17"
rolling_circumference_m = 1.93
idle_rpm = 1100
redline_rpm = 8200

[speed_signal]
taken_from = "driven_wheel"
reads_high_percent = 3
resolution_kmh = 0.5

[cruise]
fitted = true
minimum_kmh = 50
maximum_kmh = 150
hold_tolerance_kmh = 3
must_cancel = ["front_brake", "clutch"]
cancel_within_s = 0.4
far_from_set_kmh = 20
panel = ["power", "set", "resume", "cancel"]
throttle = "by_wire"
adaptive = true

[thresholds."cruise/hold-offset"]
offset_kmh = 2.5
""",
    "models/brown-owl.toml": """\
drivetrain = { overall_ratios = [10.1, 7, 5.4], rolling_circumference_m = 1.9 }
""",
    "bikes/T07.toml": """\
bike = "T07"
label = "Number seven, grey"
model = "grey-heron"
layout = "bench"
hold = true

[thresholds."cruise/engaged-under-braking"]
cancel_within_s = 0.3

[[events]]
when = 2026-05-03T16:10:00Z
kind = "repair"
part = "speed_sensor"
note = "plug cleaned and re-seated"
by = "workshop"

[[events]]
when = 2026-05-04
kind = "signed_off"
finding = "switches/brake-dead"
checks = ["lamp-by-each-control"]
by = "workshop"
""",
    "layouts/bench.toml": """\
[file]
kind = "csv"
separator = ";"
decimal = ","
thousands = "."
shape = "wide"
encoding = "cp1252"
skip_lines = 3
units_row = true
time_zone = "Europe/Rome"
start_pattern = '_(?P<date>\\d{8})_(?P<time>\\d{6})'
bike_from = "name"
bike_pattern = '^(?P<bike>[A-Z]\\d+)_'

[columns.time]
column = ["date", "time"]
format = "%d/%m/%Y %H:%M:%S%.f"

[columns.wheel_speed]
column = "VSS"
unit = "mph"
scale = 0.1
offset = -2
missing = ["9999"]
optional = true
refresh_s = 0.1
skew_s = 0.05

[columns.front_brake]
column = "FB"
on = ["1", "ON"]
off = ["0", "OFF"]
inverted = true
latched = true

[columns.rear_brake]
column = "RB"
on_above = 6

[columns.gear]
column = "GEAR"
words = { "1st" = 1, "2nd" = 2 }
""",
}


def write(root: Path, files: Mapping[str, str | bytes]) -> Path:
    """Write files under a folder and return it."""
    for name, content in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        raw = content.encode("utf-8") if isinstance(content, str) else content
        path.write_bytes(raw)
    return root


def load(root: Path, **changed: str | bytes) -> Fleet:
    """The minimal fleet with some files changed; ``bikes__T08`` stands for bikes/T08.toml."""
    named = {f"{name.replace('__', '/')}.toml": text for name, text in changed.items()}
    return load_fleet(write(root, {**MINIMAL, **named}), known_limits=KNOWN)
