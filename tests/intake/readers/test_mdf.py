"""An ASAM MDF 4 log is read by the same layouts, where the extra is installed."""

import importlib.util
import io
import tomllib
from datetime import UTC, datetime

import numpy as np
import pytest
from logs import layout, member, part, refusal

from ridecheck.fleet import Layout
from ridecheck.intake.readers import mdf_log
from ridecheck.setup.propose import propose_member

INSTALLED = importlib.util.find_spec("asammdf") is not None
HOW = layout(wheel_speed="v", engine_speed="rpm", front_brake="fb")


def test_without_the_extra_an_mdf_log_is_refused_with_what_to_install(monkeypatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "asammdf", None)
    error = refusal(b"MDF     4.10    " + bytes(600), HOW, name="T07.mf4")

    assert "extra that is not installed" in error.what
    assert "ridecheck[mdf]" in error.what_to_do


@pytest.fixture
def asammdf():
    """The library, where it is installed."""
    return pytest.importorskip("asammdf", reason="the extra mdf is not installed")


def mdf(asammdf, **more: object) -> bytes:
    """Two groups: speed and brake at 10 Hz, engine speed at 20 Hz."""
    slow, fast = np.arange(100) / 10, np.arange(200) / 20
    file = asammdf.MDF(version="4.10")
    file.start_time = datetime(2026, 5, 3, 16, 10, tzinfo=UTC)
    make = asammdf.Signal
    file.append([
        make(50 + slow, slow, name="v", unit=str(more.get("unit", "km/h"))),
        make((slow > 5).astype(np.uint8), slow, name="fb"),
    ])  # fmt: skip
    file.append([make(3000 + fast, fast, name=str(more.get("rpm", "rpm")), unit="rpm")])
    file.save(sink := io.BytesIO())
    file.close()
    return sink.getvalue()


def test_channels_of_every_group_are_joined_by_time(asammdf) -> None:
    read = part(mdf(asammdf), HOW, name="T07.mf4")

    assert read.info.start == datetime(2026, 5, 3, 16, 10, tzinfo=UTC)
    assert read.info.rows == 200
    assert read.samples["wheel_speed"].null_count() == 100
    assert read.samples["engine_speed"].to_list() == [3000 + i / 20 for i in range(200)]
    assert read.info.channels["wheel_speed"].interval_s == pytest.approx(0.1)
    assert read.samples["front_brake"].drop_nulls().sum() == 49


def test_units_and_names_that_do_not_fit_are_named(asammdf) -> None:
    other_unit = refusal(mdf(asammdf, unit="mph"), HOW, name="T07.mf4")
    other_name = refusal(mdf(asammdf, rpm="RPM"), HOW, name="T07.mf4")

    assert '"mph" in the file' in other_unit.value
    assert 'nearest to "rpm": "RPM"' in other_name.what_to_do


def test_a_layout_is_proposed_for_an_mdf_log_and_reads_it(asammdf) -> None:
    data = mdf(asammdf)
    proposal = propose_member(member(data, "T07.mf4"))
    how = Layout.model_validate(tomllib.loads(proposal.toml))

    assert {"wheel_speed", "engine_speed"} <= {m.channel for m in proposal.mapped}
    assert part(data, how, name="T07.mf4").info.rows == 200


def test_a_cut_mdf_log_is_refused(asammdf) -> None:
    assert refusal(mdf(asammdf)[:700], HOW, name="T07.mf4").what


def test_mdf_logs_are_told_by_their_first_bytes() -> None:
    assert b"MDF     4.10".startswith(mdf_log.MAGIC)
    assert not b"t,v\n".startswith(mdf_log.MAGIC)
