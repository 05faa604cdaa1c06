"""A draft layout for an unknown file is right, or says what it could not tell."""

import re
import tomllib
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from logs import fleet, member
from setup.propose.trial import NAMES, STYLES, try_out

from ridecheck.core.errors import LogError
from ridecheck.fleet import Layout, read_layout
from ridecheck.intake.read import take_in
from ridecheck.setup.propose import Proposal, propose, propose_member, words

SEEDS = range(40, 40 + len(STYLES))
"""One log in each dialect; figures over many are printed by tests/studies/proposals.py."""


@pytest.mark.parametrize("seed", SEEDS)
def test_a_log_in_any_dialect_is_never_misread_in_silence(seed: int) -> None:
    case, proposal, judged = try_out(seed)

    assert judged.loads
    assert judged.wrong == ()
    assert len(judged.missing) <= 2
    assert all(
        case.columns[c] in " ".join((*proposal.questions, *proposal.left_out))
        for c in judged.missing
    )


@pytest.mark.parametrize("seed", list(SEEDS)[::3])
def test_without_any_names_the_relations_carry_the_core_and_the_rest_is_asked(seed: int) -> None:
    case, proposal, judged = try_out(seed, nameless=True)
    drafted = {m.channel for m in proposal.mapped}

    assert judged.loads
    assert judged.wrong == ()
    assert {"engine_speed", "gear"} <= drafted
    assert "wheel_speed" in drafted or case.columns["wheel_speed"] in " ".join(proposal.questions)
    assert not {"front_brake", "rear_brake"} & drafted  # alike without a name
    assert any("front brake" in q for q in proposal.questions)


def test_a_proposed_layout_reads_the_log_it_was_made_from(tmp_path: Path) -> None:
    case, proposal, _ = try_out(41)
    (tmp_path / "draft.toml").write_text(proposal.toml, "utf-8")
    how = read_layout(tmp_path / "draft.toml")
    (part,) = take_in(case.member, fleet({"draft": how}), layout=how)

    assert part.info.rows > 1000
    assert part.info.channels["wheel_speed"].present > 0.9
    assert 60 < float(part.samples["wheel_speed"].max()) < 200  # type: ignore[arg-type]


def test_the_trial_uses_no_word_that_the_proposer_holds() -> None:
    held = {stem for stems in words._STEMS.values() for stem in stems.split()}
    whole = [n.replace("{u}", "") for entries in NAMES.values() for n in entries]

    assert not [n for n in whole if words.plain(n).replace(" ", "") in held]


# ---------------------------------------------------------------- what is asked, never guessed


def ride(**columns: object) -> pl.DataFrame:
    """Ten minutes of riding through the gears: t, v in km/h, rpm."""
    t = np.arange(0, 600, 0.1)
    v = np.abs(70 + 50 * np.sin(t / 19) + 12 * np.sin(t / 3))
    v = np.where((t % 200) < 12, 0.0, v)
    per_kmh = np.select([v < 25, v < 45, v < 65, v < 90], [96.0, 65.0, 50.0, 40.0], 33.0)
    rpm = np.where(v < 3, 1050.0, v * per_kmh)
    frame = pl.DataFrame({"t": np.round(t, 1), "v": np.round(v, 1), "rpm": np.round(rpm)})
    return frame.with_columns(**{k: pl.Series(v) for k, v in columns.items()})


def proposed(text: str | bytes, name: str = "T07_log.csv") -> Proposal:
    return propose_member(member(text, name))


def column(proposal: Proposal, channel: str) -> dict[str, object]:
    return tomllib.loads(proposal.toml)["columns"][channel]  # type: ignore[no-any-return]


def dated(pattern: str, *, separator: str = ",") -> str:
    frame = ride().head(2000).with_columns(
        t=(pl.datetime(2026, 5, 3, 16, 10) + pl.duration(milliseconds=pl.col("t") * 1000))
        .dt.strftime(pattern)
    )  # fmt: skip
    return frame.write_csv(separator=separator)


def test_day_and_month_that_both_fit_are_asked() -> None:
    proposal = proposed(dated("%d/%m/%Y %H:%M:%S%.3f"))

    assert "format" not in column(proposal, "time")
    assert any("%d/%m/%Y or %m/%d/%Y" in q for q in proposal.questions)


def test_a_date_in_the_name_tells_day_from_month() -> None:
    proposal = proposed(dated("%m/%d/%Y %H:%M:%S%.3f"), name="T07_2026-05-03.csv")

    assert column(proposal, "time")["format"] == "%m/%d/%Y %H:%M:%S%.f"
    assert not [q for q in proposal.questions if "date" in q]


def test_a_day_beyond_twelve_tells_day_from_month() -> None:
    text = dated("%d/%m/%Y %H:%M:%S").replace("03/05/2026", "23/05/2026")

    assert column(proposed(text), "time")["format"] == "%d/%m/%Y %H:%M:%S"


def test_decimal_comma_between_commas_is_refused() -> None:
    text = ride().head(300).write_csv().replace("t,v,rpm", "t,v,rpm")
    text = "\n".join(
        [text.splitlines()[0], *(f"{a},{b},{c}" for a, b, c in
         (line.replace(".", ",").rsplit(",", 2)[0:3] for line in text.splitlines()[1:]))]
    )  # fmt: skip

    with pytest.raises(LogError, match="look alike"):
        proposed(text)


def test_a_mark_that_may_be_thousands_is_asked() -> None:
    frame = ride()
    rpm = [f"{int(r) // 1000}.{int(r) % 1000:03d}" if r >= 1000 else str(int(r) - 150)
           for r in frame["rpm"].to_list()]  # fmt: skip
    proposal = proposed(frame.with_columns(rpm=pl.Series(["950", "870", *rpm[2:]])).write_csv())

    assert any("thousands or decimals" in q for q in proposal.questions)


def test_points_beside_decimal_commas_mark_thousands() -> None:
    def written(value: float, decimals: int) -> str:
        return f"{value:,.{decimals}f}".translate(str.maketrans(",.", ".,"))

    rows = [f"{written(t, 1)};{written(v, 1)};{written(r, 0)}" for t, v, r in ride().iter_rows()]
    table = tomllib.loads(proposed("\n".join(["t;v;rpm", *rows]) + "\n").toml)

    assert (table["file"]["decimal"], table["file"]["thousands"]) == (",", ".")
    assert {"wheel_speed", "engine_speed"} <= set(table["columns"])


def test_a_speed_that_may_be_in_two_units_is_asked_not_guessed() -> None:
    # 46 rpm a unit in top gear: a bike at 46 rpm per km/h, or one at 29 whose log says mph.
    frame = ride().with_columns(rpm=pl.col("rpm") * 46 / 33)
    proposal = proposed(frame.write_csv())

    assert not [m for m in proposal.mapped if m.channel == "wheel_speed"]
    assert any("in which unit: km/h, mph or m/s" in q for q in proposal.questions)


@pytest.mark.parametrize(
    ("header", "unit"), [("v (mph)", "mph"), ("v_mph", "mph"), ("v [m/s]", "m/s"), ("v kn", "kn")]
)
def test_a_unit_in_the_header_is_taken(header: str, unit: str) -> None:
    proposal = proposed(ride().rename({"v": header}).write_csv())

    assert column(proposal, "wheel_speed") == {"column": header, "unit": unit}


def test_a_second_speed_with_a_unit_tells_the_first() -> None:
    frame = ride().with_columns(x=(pl.col("v") * 0.98 / 1.609344).round(2))
    frame = frame.with_columns(rpm=pl.col("rpm") * 46 / 33).rename({"x": "gps speed [mph]"})
    proposal = proposed(frame.write_csv())

    assert column(proposal, "wheel_speed") == {"column": "v"}
    assert column(proposal, "gps_speed") == {"column": "gps speed [mph]", "unit": "mph"}


def test_whole_miles_turned_into_kilometres_leave_their_step() -> None:
    frame = ride().with_columns(v=((pl.col("v") / 1.609344).round() * 1.609344).round(1))
    frame = frame.with_columns(rpm=pl.col("rpm") * 46 / 33)

    assert column(proposed(frame.write_csv()), "wheel_speed") == {"column": "v"}


def test_a_switch_read_the_wrong_way_round_is_turned_by_what_it_goes_with() -> None:
    frame = ride()
    slowing = frame["v"].diff().fill_null(0.0).rolling_mean(5, min_samples=1) < -0.46
    proposal = proposed(frame.with_columns(brake_front=(~slowing).cast(pl.Int8)).write_csv())

    assert column(proposal, "front_brake")["on"] == ["0"]


def test_a_counter_of_rows_is_no_time_where_a_time_stands_beside_it() -> None:
    frame = ride().with_row_index("n")

    assert column(proposed(frame.write_csv()), "time")["column"] == "t"


@pytest.mark.parametrize(
    ("data", "what"),
    [
        ("t\n1\n2\n", "No separator"),
        ("1,2,3\n4,5,6\n7,8,9\n" * 40, "no names"),
        ("a,b\n" + "x,y\n" * 50, "time"),
        (b"\0\1\2\3" * 500, "no text"),
        (("a,b,c\n" + "5,6,7\n" * 50), "behaves like a time"),
    ],
)
def test_what_is_no_log_is_refused(data: str | bytes, what: str) -> None:
    with pytest.raises(LogError, match=what):
        proposed(data)


def test_names_with_quotes_and_signs_come_out_as_toml_that_loads() -> None:
    odd = 'v "x" \\ é#'
    frame = ride().rename({"v": odd})
    text = frame.write_csv(quote_style="always")
    proposal = proposed(text, name='T07 "new"\nline.csv')

    table = tomllib.loads(proposal.toml)
    assert Layout.model_validate(table)
    assert table["columns"]["wheel_speed"]["column"] == odd


def test_a_date_and_time_in_the_name_become_the_start(tmp_path: Path) -> None:
    name = "T07_20260503_161000.csv"
    text = ride().write_csv()
    proposal = proposed(text, name=name)
    how = Layout.model_validate(tomllib.loads(proposal.toml)).named("draft")
    (part,) = take_in(member(text, name), fleet({"bench": how}))

    assert part.info.start.isoformat() == "2026-05-03T16:10:00+00:00"
    assert part.info.start_from == "name"


def test_a_table_of_one_value_a_row_is_proposed_as_long() -> None:
    frame = ride()
    rows = [f"{t},{n},{x}" for t, v, r in frame.head(3000).iter_rows()
            for n, x in (("Road speed", v), ("Engine rpm", r))]  # fmt: skip
    text = "\n".join(["t,what,value", *rows]) + "\n"
    proposal = proposed(text)
    how = Layout.model_validate(tomllib.loads(proposal.toml)).named("draft")
    (part,) = take_in(member(text), fleet({"bench": how}))

    assert column(proposal, "wheel_speed") == {"column": "Road speed"}
    assert part.samples["engine_speed"].to_list() == frame["rpm"].head(3000).to_list()


def test_position_is_never_mapped_or_quoted() -> None:
    frame = ride(lat=np.linspace(48.123456, 48.2, 6000), lon=np.linspace(11.5, 11.6, 6000))
    proposal = proposed(frame.write_csv())

    assert "48.123" not in proposal.toml
    assert not [m for m in proposal.mapped if m.column in {"lat", "lon"}]


def test_a_packed_parquet_and_a_path_work_alike(tmp_path: Path) -> None:
    ride().with_columns(pl.col("t").cast(pl.Float64)).write_parquet(tmp_path / "T07.parquet")
    proposal = propose(tmp_path / "T07.parquet")

    assert column(proposal, "time") == {"column": "t", "format": "seconds"}
    assert re.search(r'kind = "parquet"', proposal.toml)
