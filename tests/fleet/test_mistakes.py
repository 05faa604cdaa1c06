# ruff: noqa: E501 (a case is one line, however long)
"""Every mistake of every file is told at once: file, line, key, value, what is allowed."""

import re
import tomllib
from pathlib import Path

import pytest
from fleet.folders import FULL, KNOWN, MINIMAL, load, write
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ridecheck.core.errors import FleetError
from ridecheck.fleet import Mistake, load_fleet

M = MINIMAL["models/grey-heron.toml"]
B = MINIMAL["bikes/T07.toml"]
L = MINIMAL["layouts/bench.toml"]

# Which file, its text, and what must be told: line, key, value, part of the sentence.
CASES = [
    # -------- models
    ("model", "[drivetrain\n", (1, "", '"[drivetrain"', "not valid TOML")),
    ("model", M + "a = 1\na = 2\n", (7, "", '"a = 2"', "not valid TOML")),
    ("model", 'x = """\n', (2, "", "", "at the end of the file")),
    ("model", M + "[thresholds.cruise/x]\n", (6, "", "", "stands in quotes")),
    ("model", "", (1, "drivetrain", "", "required")),
    ("model", M + "final_rato = 2.45\n", (6, "drivetrain.final_rato", "2.45", "did you mean final_ratio?")),
    ("model", M.replace("final_ratio = 2.45\n", ""), (1, "drivetrain.overall_ratios", "", "without final_ratio")),
    ("model", M + "overall_ratios = [9, 5]\n", (6, "drivetrain.overall_ratios", "[9, 5]", "stated twice")),
    ("model", M.replace("1.36", "1.79"), (3, "drivetrain.gear_ratios[2]", "1.79", "fall from first to top")),
    ("model", M.replace("0.91", "-0.91"), (3, "drivetrain.gear_ratios[4]", "-0.91", "more than 0")),
    ("model", M.replace("0.91", '"0.91"'), (3, "drivetrain.gear_ratios[4]", '"0.91"', "a number")),
    ("model", M.replace("1.62", "0"), (2, "drivetrain.primary_ratio", "0", "more than 0")),
    ("model", M.replace("1.62", "nan"), (2, "drivetrain.primary_ratio", "nan", "")),
    ("model", M.replace("1.62", "true"), (2, "drivetrain.primary_ratio", "true", "a number")),
    ("model", M.replace('driven_tyre = "170/60R17"\n', ""), (1, "drivetrain.rolling_circumference_m", "", "driven_tyre")),
    ("model", M.replace("170/60R17", "170-60"), (5, "drivetrain.driven_tyre", '"170-60"', "as on the tyre")),
    ("model", M + "rolling_circumference_m = 1930\n", (6, "drivetrain.rolling_circumference_m", "1930", "at most 3")),
    ("model", M + "idle_rpm = 9500\n", (1, "drivetrain.redline_rpm", "", "more than idle_rpm")),
    ("model", M + "[cruise]\ncancel_within_s = 1.2\n", (7, "cruise.cancel_within_s", "1.2", "at most 1")),
    ("model", M + "[cruise]\nminimum_kmh = 170\n", (6, "cruise.maximum_kmh", "", "more than minimum_kmh")),
    ("model", M + '[cruise]\nmust_cancel = ["front_brake",\n"clutsch"]\n', (8, "cruise.must_cancel[1]", '"clutsch"', "did you mean clutch?")),
    ("model", M + '[cruise]\npanel = ["sett"]\n', (7, "cruise.panel[0]", '"sett"', "did you mean set?")),
    ("model", M + '[cruise]\nthrottle = "by-wire"\n', (7, "cruise.throttle", '"by-wire"', "did you mean by_wire?")),
    ("model", M + '[cruise]\nfitted = "yes"\n', (7, "cruise.fitted", '"yes"', "true or false")),
    ("model", M + '[speed_signal]\ntaken_from = "rear_wheel"\n', (7, "speed_signal.taken_from", '"rear_wheel"', "driven_wheel")),
    ("model", M + "[speed_signal]\nresolution_kmh = -1\n", (7, "speed_signal.resolution_kmh", "-1", "at least 0")),
    ("model", M + '[thresholds."cruise/hold-ofset"]\na = 1\n', (6, 'thresholds."cruise/hold-ofset"', "{ a }", "did you mean cruise/hold-offset?")),
    ("model", M + '[thresholds."cruise/hold-offset"]\nofset_kmh = 1\n', (7, 'thresholds."cruise/hold-offset".ofset_kmh', "1", "did you mean offset_kmh?")),
    ("model", M + '[thresholds."cruise/hold-offset"]\noffset_kmh = "1"\n', (7, 'thresholds."cruise/hold-offset".offset_kmh', '"1"', "a number")),
    ("model", M + '[thresholds."switches/brake-dead"]\nleast_decel = 3\n', (7, 'thresholds."switches/brake-dead".least_decel', "3", "at most 2.5 m/s2")),
    ("model", M + '[thresholds."switches/rests-on"]\nlongest_s = 19\n', (7, 'thresholds."switches/rests-on".longest_s', "19", "at least 20 s")),
    ("model", "drivetrain.final_ratio = 2\ndrivetrain.primary_ratio = -2\ndrivetrain.gear_ratios = [2]\ndrivetrain.driven_tyre = '130/90-16'\n", (2, "drivetrain.primary_ratio", "-2", "more than 0")),
    ("model", "cruise = { cancel_within_s = 2, throttle = 'cable' }\n" + M, (1, "cruise.cancel_within_s", "2", "at most 1")),
    ("model", M + "[cruise]\nminimum_kmh = " + "9" * 400 + "\n", (7, "cruise.minimum_kmh", "999", "")),
    ("model", M + "idle_rpm = " + "9" * 5000 + "\n", (1, "", "", "not valid TOML")),
    ("model", M + "idle_rpm = 0x" + "f" * 5000 + "\n", (6, "drivetrain.idle_rpm", "0xfff", "")),
    ("model", M + '"\\u001bx" = 1\n', (6, 'drivetrain."\\u001bx"', "1", "no such key")),
    # -------- bikes
    ("bike", 'model = "grey-heron"\n', (1, "bike", "", "required")),
    ("bike", 'bike = "T07"\n', (1, "model", "", "required")),
    ("bike", B.replace("T07", "T08"), (1, "bike", '"T08"', '"T07"')),
    ("bike", B.replace("T07", "T 7"), (1, "bike", '"T 7"', "first a letter or digit")),
    ("bike", B.replace("grey-heron", "gray-heron"), (2, "model", '"gray-heron"', "did you mean grey-heron?")),
    ("bike", B + 'layout = "bensh"\n', (3, "layout", '"bensh"', "did you mean bench?")),
    ("bike", B + 'label = "a\\u0007b"\n', (3, "label", '"a\\u0007b"', "none of control")),
    ("bike", B + 'label = "' + "x" * 301 + '"\n', (3, "label", "", "300")),
    ("bike", B + "label = 7\n", (3, "label", "7", "a text in quotes")),
    ("bike", B + "hold = 1\n", (3, "hold", "1", "true or false")),
    ("bike", B + 'lable = "x"\n', (3, "lable", '"x"', "did you mean label?")),
    ("bike", B + '[[events]]\nkind = "repair"\n', (3, "events[0].when", "", "required")),
    ("bike", B + '[[events]]\nwhen = "3 May"\nkind = "wash"\n', (4, "events[0].when", '"3 May"', "without quotes")),
    ("bike", B + '[[events]]\nwhen = 10:00:00\nkind = "wash"\n', (4, "events[0].when", "10:00:00", "2026-05-03")),
    ("bike", B + '[[events]]\nwhen = 2026-05-03\nkind = "repairs"\n', (5, "events[0].kind", '"repairs"', "did you mean repair?")),
    ("bike", B + '[[events]]\nwhen = 2026-05-03\nkind = "signed_off"\nfinding = "a/b"\nby = "JK"\n', (3, "events[0].checks", "", "needs finding, checks, by")),
    ("bike", B + '[[events]]\nwhen = 2026-05-03\nkind = "dismissed"\nreason = "r"\nby = "JK"\n', (3, "events[0].finding", "", "needs finding, reason, by")),
    ("bike", B + '[[events]]\nwhen = 2026-05-03\nkind = "checked"\ncheck = "c"\nresult = " "\n', (7, "events[0].result", '" "', "needs check, result")),
    ("bike", B + 'events = [\n{ when = 2026-05-03, kind = "wash" },\n{ when = 2026-05-03, kind = "wax" }]\n', (5, "events[1].kind", '"wax"', "wash")),
    ("bike", B + '[thresholds."cruise/engaged-under-braking"]\ncancel_within_s = 0.6\n', (4, 'thresholds."cruise/engaged-under-braking".cancel_within_s', "0.6", "at most 0.5 s")),
    # -------- layouts
    ("layout", '[columns.time]\ncolumn = "t"\n', (1, "file", "", "required")),
    ("layout", '[file]\nkind = "csv"\n[columns]\n', (3, "columns.time", "", "required")),
    ("layout", L.replace("csv", "xlsx"), (2, "file.kind", '"xlsx"', '"csv", "parquet"')),
    ("layout", L.replace('"csv"', '"csv"\nseparator = "tab"'), (3, "file.separator", '"tab"', '"\\t"')),
    ("layout", L.replace('"csv"', '"csv"\nseparator = ","\ndecimal = ","'), (4, "file.decimal", '","', "another")),
    ("layout", L.replace('"csv"', '"csv"\nthousands = "."'), (3, "file.thousands", '"."', "another mark")),
    ("layout", L.replace('"csv"', '"csv"\nshape = "long"\nname_column = "n"'), (1, "file.value_column", "", 'shape = "long"')),
    ("layout", L.replace('"csv"', '"csv"\nname_column = "n"'), (3, "file.name_column", '"n"', 'shape = "long"')),
    ("layout", L.replace('"csv"', '"csv"\nencoding = "utf8x"'), (3, "file.encoding", '"utf8x"', "did you mean utf-8?")),
    ("layout", L.replace('"csv"', '"csv"\nencoding = "base64"'), (3, "file.encoding", '"base64"', "utf-8")),
    ("layout", L.replace('"csv"', '"csv"\nskip_lines = -1'), (3, "file.skip_lines", "-1", "at least 0")),
    ("layout", L.replace('"csv"', '"csv"\nskip_lines = 1.5'), (3, "file.skip_lines", "1.5", "a whole number")),
    ("layout", L.replace('"csv"', '"csv"\ntime_zone = "Europe/Rom"'), (3, "file.time_zone", '"Europe/Rom"', "did you mean Europe/Rome?")),
    ("layout", L.replace('"csv"', '"csv"\nstart_pattern = "("'), (3, "file.start_pattern", '"("', "not a regular expression")),
    ("layout", L.replace('"csv"', "\"csv\"\nstart_pattern = '(?P<date>.)'"), (3, "file.start_pattern", '"(?P<date>.)"', "(?P<time>...)")),
    ("layout", L.replace('"csv"', '"csv"\nbike_from = "name"'), (1, "file.bike_pattern", "", 'bike_from = "name"')),
    ("layout", L.replace('"csv"', '"csv"\nbike_from = "folder"\nbike_pattern = "T"'), (4, "file.bike_pattern", '"T"', "(?P<bike>...)")),
    ("layout", L.replace('"csv"', '"csv"\nbike_column = "id"'), (3, "file.bike_column", '"id"', 'bike_from = "column"')),
    ("layout", L.replace('"csv"', '"csv"\nbike_from = "fixed"\nbike = "T/7"'), (4, "file.bike", '"T/7"', "first a letter or digit")),
    ("layout", L.replace('"csv"', '"csv"\nbike_from = "nam"'), (3, "file.bike_from", '"nam"', "did you mean name?")),
    ("layout", L.replace('"t"', '""'), (5, "columns.time.column", "", "")),
    ("layout", L.replace('"t"', '["a", "b", "c"]'), (5, "columns.time.column", '["a", "b", "c"]', "")),
    ("layout", L + 'format = "second"\n', (6, "columns.time.format", '"second"', "did you mean seconds?")),
    ("layout", L + 'format = "%H:%M:%S.%f"\n', (6, "columns.time.format", '"%H:%M:%S.%f"', '"%H:%M:%S%.f"')),
    ("layout", L + 'format = "%Y-%m-%d"\n', (6, "columns.time.format", '"%Y-%m-%d"', "%H and %M")),
    ("layout", L + 'format = "%Y-%m-%d %Q"\n', (6, "columns.time.format", '"%Y-%m-%d %Q"', "iso8601")),
    ("layout", L + '[columns.weel_speed]\ncolumn = "v"\n', (6, "columns.weel_speed", "{ column }", "did you mean wheel_speed?")),
    ("layout", L + "[columns.wheel_speed]\n", (6, "columns.wheel_speed.column", "", "required")),
    ("layout", L + '[columns.wheel_speed]\ncolumn = "v"\nunit = "mhp"\n', (8, "columns.wheel_speed.unit", '"mhp"', "did you mean mph?")),
    ("layout", L + '[columns.wheel_speed]\ncolumn = "v"\nunit = "bar"\n', (8, "columns.wheel_speed.unit", '"bar"', "measures something else")),
    ("layout", L + '[columns.throttle]\ncolumn = "v"\nunit = "V"\n', (8, "columns.throttle.unit", '"V"', "allowed: %")),
    ("layout", L + '[columns.wheel_speed]\ncolumn = "v"\nscale = 0\n', (8, "columns.wheel_speed.scale", "0", "other than 0")),
    ("layout", L + '[columns.wheel_speed]\ncolumn = "v"\non = ["1"]\n', (8, "columns.wheel_speed.on", '["1"]', "no such key")),
    ("layout", L + '[columns.wheel_speed]\ncolumn = "v"\nskew_s = 1.5\n', (8, "columns.wheel_speed.skew_s", "1.5", "at most 1")),
    ("layout", L + '[columns.wheel_speed]\ncolumn = "v"\nrefresh_s = 0\n', (8, "columns.wheel_speed.refresh_s", "0", "more than 0")),
    ("layout", L + '[columns.front_brake]\ncolumn = "b"\non = ["1"]\n', (6, "columns.front_brake.off", "", "words for both")),
    ("layout", L + '[columns.front_brake]\ncolumn = "b"\non = ["1"]\noff = ["1.0"]\n', (9, "columns.front_brake.off", '["1.0"]', "each word once")),
    ("layout", L + '[columns.front_brake]\ncolumn = "b"\nmissing = ["0"]\non = [1]\noff = [0]\n', (10, "columns.front_brake.off", "[0]", "missing")),
    ("layout", L + '[columns.front_brake]\ncolumn = "b"\non = "1"\noff = "0"\non_above = 6\n', (10, "columns.front_brake.on_above", "6", "on and off, or on_above")),
    ("layout", L + '[columns.front_brake]\ncolumn = "b"\nunit = "V"\n', (8, "columns.front_brake.unit", '"V"', "on_above")),
    ("layout", L + '[columns.gear]\ncolumn = "g"\nwords = { "9th" = 9 }\n', (8, "columns.gear.words.9th", "9", "1 to 8")),
    ("layout", L + '[columns.front_brake]\ncolumn = "b"\n[columns.rear_brake]\ncolumn = "b"\n', (9, "columns.rear_brake.column", '"b"', "already read as front_brake")),
    ("layout", L.replace('"csv"', '"csv"\nstart_pattern = "a{99999999999}"'), (3, "file.start_pattern", "", "not a regular expression")),
    ("layout", L + '[columns.gear]\ncolumn = " t "\n', (7, "columns.gear.column", '" t "', "already read as time")),
    ("layout", L + '[columns.gear]\ncolumn = "t"\n', (7, "columns.gear.column", '"t"', "already read as time")),
]  # fmt: skip

PATHS = {"model": "models__grey-heron", "bike": "bikes__T07", "layout": "layouts__bench"}


@pytest.mark.parametrize(("which", "text", "told"), CASES)
def test_a_mistake_is_told_with_its_place_and_what_is_allowed(
    tmp_path: Path, which: str, text: str, told: tuple[int, str, str, str]
) -> None:
    line, key, value, sentence = told
    fleet = load(tmp_path, **{PATHS[which]: text})
    of_this_file = [
        m for m in fleet.mistakes if m.file == PATHS[which].replace("__", "/") + ".toml"
    ]

    assert len(of_this_file) == 1, [str(m) for m in fleet.mistakes]
    assert (of_this_file[0].line, of_this_file[0].key) == (line, key)
    assert value in of_this_file[0].value
    assert sentence in str(of_this_file[0])


FLEET_CASES = [
    ("", "fleet.toml:1: name: this key is required"),
    ('name = ""\n', "fleet.toml:1: name"),
    ('name = "A"\ntime_zone = "Mars"\n', 'fleet.toml:2: time_zone = "Mars"'),
    ('name = "A"\ntime_zone = "../../etc/passwd"\n', "time zone not known"),
    ('name = "A"\ndisplay_units = "miles"\n', 'allowed: "metric", "imperial"'),
    ('name = "A"\n[verdict]\nrides = 0\n', "fleet.toml:3: verdict.rides = 0"),
    ('name = "A"\n[verdict]\nrides = 2.5\n', "a whole number"),
    ('name = "A"\n[verdict]\nday = 2\n', "did you mean days?"),
    ('name = "A"\n[verdict]\nmust_assess = ["switches/brake-deaf"]\n', "did you mean switches/brake-dead?"),
    ('name = "A"\n[retention]\nsamples_days = -1\n', "at least 0"),
    ('name = "A"\n[thresholds."switches/brake-dead"]\nleast_decel = 2.6\n', "fleet.toml:3: "),
]  # fmt: skip


@pytest.mark.parametrize(("text", "told"), FLEET_CASES)
def test_a_wrong_fleet_file_stops_the_run(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(FleetError) as caught:
        load(tmp_path, fleet=text)

    assert told in str(caught.value)


def test_all_mistakes_of_all_files_are_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(FleetError) as caught:
        load(
            tmp_path,
            fleet="nam = 1\n[verdict]\nrides = 0\n",
            models__brown_owl="[drivetrain]\nprimary_ratio = -1\nfinal_ratio = 0\n",
            bikes__T08='bike = "T8"\nmodel = "brown"\nlayout = "b"\n',
            layouts__bad='[file]\nkind = "x"\ndecimal = ";"\n[columns.time]\ncolumn = 3\n',
        )
    places = [line.strip().split(": ")[0:2] for line in str(caught.value).splitlines()[1:-2]]

    assert [(p[0], p[1].split(" =")[0]) for p in places] == [
        ("fleet.toml:1", "nam"),
        ("fleet.toml:1", "name"),
        ("fleet.toml:3", "verdict.rides"),
        ("bikes/T08.toml:1", "bike"),
        ("bikes/T08.toml:2", "model"),
        ("bikes/T08.toml:3", "layout"),
        ("layouts/bad.toml:2", "file.kind"),
        ("layouts/bad.toml:3", "file.decimal"),
        ("layouts/bad.toml:5", "columns.time.column"),
        ("models/brown_owl.toml:1", "drivetrain.overall_ratios"),
        ("models/brown_owl.toml:1", "drivetrain.rolling_circumference_m"),
        ("models/brown_owl.toml:2", "drivetrain.primary_ratio"),
        ("models/brown_owl.toml:3", "drivetrain.final_ratio"),
    ]


@pytest.mark.parametrize(
    ("root", "told"), [("nowhere", "there is no fleet folder"), ("", "there is no fleet.toml")]
)
def test_a_missing_fleet_says_how_to_make_one(tmp_path: Path, root: str, told: str) -> None:
    with pytest.raises(FleetError) as caught:
        load_fleet(tmp_path / root, known_limits=KNOWN)

    assert told in caught.value.what
    assert "ridecheck init" in caught.value.what_to_do


def test_a_wrong_file_concerns_only_its_bikes(tmp_path: Path) -> None:
    fleet = load(
        tmp_path,
        models__bad="[drivetrain]\n",
        layouts__bad='[file]\nkind = "x"\n[columns.time]\ncolumn = "t"\n',
        bikes__M1='bike = "M1"\nmodel = "bad"\n',
        bikes__L1='bike = "L1"\nmodel = "grey-heron"\nlayout = "bad"\n',
        bikes__B1='bike = "B1"\nmodel = "grey-heron"\ncolour = "grey"\n',
        bikes__OK='bike = "OK"\nmodel = "grey-heron"\nlayout = "bench"\n',
    )

    assert sorted(b for b in fleet.bikes if fleet.wrong(b)) == ["B1", "L1", "M1"]
    assert {m.file for m in fleet.wrong("M1")} == {"models/bad.toml"}
    assert {m.file for m in fleet.wrong("L1")} == {"layouts/bad.toml"}
    assert fleet.layout_of("L1") is None
    assert fleet.settings("OK").model == "grey-heron"
    with pytest.raises(FleetError, match="B1"):
        fleet.settings("B1")


def test_ids_that_differ_in_case_only_are_both_wrong(tmp_path: Path) -> None:
    fleet = load(tmp_path, bikes__t07='bike = "t07"\nmodel = "grey-heron"\n')

    assert [m.file for m in fleet.mistakes] == ["bikes/T07.toml", "bikes/t07.toml"]
    assert all("but for case" in m.what for m in fleet.mistakes)
    assert fleet.wrong("T07")
    assert fleet.wrong("t07")


def test_a_file_whose_name_is_no_bike_id_is_told_and_is_no_bike(tmp_path: Path) -> None:
    fleet = load_fleet(
        write(tmp_path, {**MINIMAL, "bikes/number seven.toml": B}), known_limits=KNOWN
    )

    assert list(fleet.bikes) == ["T07"]
    assert [m.file for m in fleet.mistakes] == ["bikes/number seven.toml"]


@pytest.mark.parametrize(
    ("content", "line", "what"),
    [
        (b'bike = "T07"\nlabel = "gr\xfcn"\n', 2, "not UTF-8"),
        (b"\x00\x01", 1, "not valid TOML"),
        (b"", 1, "required"),
        (b"bike = 1\rmodel = 2\r", 1, "not valid TOML"),
        (b"a = " + b"[" * 5000, 1, "not valid TOML"),
    ],
)
def test_a_bike_whose_file_cannot_be_read_still_is_a_bike(
    tmp_path: Path, content: bytes, line: int, what: str
) -> None:
    fleet = load(tmp_path, bikes__T07=content)

    assert what in fleet.wrong("T07")[0].what
    assert fleet.wrong("T07")[0].line == line
    assert fleet.bikes["T07"].label == ""
    assert fleet.bikes["T07"].hold is True


def test_what_can_be_read_of_a_wrong_bike_file_is_kept(tmp_path: Path) -> None:
    text = B + (
        'label = "Number seven"\nhold = "no"\ncolour = 1\n'
        '[[events]]\nwhen = 2026-05-03\nkind = "wax"\n'
        '[[events]]\nwhen = 2026-05-04\nkind = "wash"\n'
    )
    fleet = load(tmp_path, bikes__T07=text)
    bike = fleet.bikes["T07"]

    assert (bike.label, bike.model, bike.hold) == ("Number seven", "grey-heron", True)
    assert [e.kind for e in bike.events] == ["wash"]
    assert [m.key for m in fleet.wrong("T07")] == ["hold", "colour", "events[0].kind"]


def test_a_byte_order_mark_and_windows_line_ends_are_no_mistake(tmp_path: Path) -> None:
    files = {n: b"\xef\xbb\xbf" + t.replace("\n", "\r\n").encode() for n, t in FULL.items()}
    fleet = load_fleet(write(tmp_path, files), known_limits=KNOWN)

    assert fleet.mistakes == ()
    assert fleet.bikes["T07"].label == "Number seven, grey"


def test_a_folder_without_rights_is_told_in_three_parts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load(tmp_path)

    def refused(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "iterdir", refused)
    with pytest.raises(FleetError) as caught:
        load_fleet(tmp_path, known_limits=KNOWN)

    assert caught.value.where == str(tmp_path / "models")
    assert caught.value.what_to_do


def test_files_that_are_not_toml_files_are_left_alone(tmp_path: Path) -> None:
    extra = {"bikes/.T08.toml": "x", "bikes/T08.toml~": "x", "bikes/README.md": "x"}
    fleet = load_fleet(write(tmp_path, {**MINIMAL, **extra}), known_limits=KNOWN)

    assert list(fleet.bikes) == ["T07"]
    assert fleet.mistakes == ()


# ---------------------------------------------------------------- any single wrong key or value

_KEY_LINES = [
    (name, number)
    for name, text in FULL.items()
    for number, line in enumerate(text.splitlines())
    if " = " in line and not line.startswith("#")
]
_WRONG_VALUES = ["{ zz = 99 }", "[[[]]]", "10:00:00"]


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    place=st.sampled_from(_KEY_LINES),
    wrong_value=st.none() | st.sampled_from(_WRONG_VALUES),
    blank_lines=st.integers(0, 3),
    line_end=st.sampled_from(["\n", "\r\n"]),
    mark=st.sampled_from(["", "\ufeff"]),
)
def test_any_single_wrong_key_or_value_is_told_on_its_line(
    tmp_path: Path,
    place: tuple[str, int],
    wrong_value: str | None,
    blank_lines: int,
    line_end: str,
    mark: str,
) -> None:
    name, number = place
    lines = FULL[name].splitlines()
    key, _, value = lines[number].partition(" = ")
    inside_array = 1
    while not _is_whole(f"{key} = {value}"):  # a value that goes on over the next lines
        value += "\n" + lines.pop(number + inside_array)
    lines[number] = f"{key}z = {value}" if wrong_value is None else f"{key} = {wrong_value}"
    text = mark + line_end.join(["# a comment"] * blank_lines + lines)
    root = write(tmp_path, {**FULL, name: text.replace("\r\n", "\n").replace("\n", line_end)})

    told = _mistakes(root, name)

    assert number + 1 + blank_lines in [m.line for m in told], [str(m) for m in told]


def _is_whole(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return True


def _mistakes(root: Path, name: str) -> list[Mistake]:
    """The mistakes of one file, from the error's text where it is fleet.toml."""
    try:
        return [m for m in load_fleet(root, known_limits=KNOWN).mistakes if m.file == name]
    except FleetError as error:
        told = re.findall(rf"^  {re.escape(name)}:(\d+): (.*)$", str(error), re.MULTILINE)
        return [Mistake(name, int(line), "", "", rest) for line, rest in told]


def test_the_fleet_that_states_every_key_has_no_mistakes(tmp_path: Path) -> None:
    fleet = load_fleet(write(tmp_path, FULL), known_limits=KNOWN)

    assert [str(m) for m in fleet.mistakes] == []
