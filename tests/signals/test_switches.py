"""Switches as runs: edges, gaps and blanks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridecheck.core.model import Span
from ridecheck.signals.switches import BLANK, runs_of

NAN = float("nan")


def runs(values, *, segment=None, step_s=0.1):
    t_s = np.arange(len(values)) * step_s
    segment = np.zeros(len(values), dtype=np.int64) if segment is None else np.array(segment)
    return runs_of(t_s, np.array(values, dtype=float), segment, interval_s=step_s)


def test_a_run_ends_where_the_next_value_begins():
    found = runs([0, 0, 1, 1, 1, 0])

    assert found.value.tolist() == [0, 1, 0]
    assert found.start_s == pytest.approx([0.0, 0.2, 0.5])
    assert found.end_s == pytest.approx([0.2, 0.5, 0.6])
    assert found[1].sharp_start
    assert found[1].sharp_end


def test_an_edge_in_a_blank_is_not_sharp():
    found = runs([1, 1, NAN, 0, 0])

    assert found.value.tolist() == [1, BLANK, 0]
    assert not found[0].sharp_end
    assert not found[2].sharp_start


def test_runs_never_cross_a_gap():
    found = runs([1, 1, 1, 1], segment=[0, 0, 1, 1])

    assert found.value.tolist() == [1, 1]
    assert found[0].end_s == pytest.approx(0.2)
    assert not found[0].sharp_end
    assert not found[1].sharp_start


def test_the_first_and_the_last_edge_of_a_log_are_not_seen():
    (run,) = runs([1, 1, 1])

    assert not run.sharp_start
    assert not run.sharp_end


def test_no_rows_make_no_runs():
    assert len(runs([])) == 0


@pytest.mark.parametrize(
    ("values", "span", "answer"),
    [
        ([0, 0, 1, 0, 0], (0.0, 0.5), True),
        ([0, 0, 0, 0, 0], (0.0, 0.4), False),
        ([0, NAN, 0, 0, 0], (0.0, 0.4), None),
        ([0, NAN, 1, 0, 0], (0.0, 0.4), True),
        ([0, 0, 0, 0, 0], (-1.0, 0.4), None),
    ],
    ids=["on", "off", "blank", "on beside a blank", "before the log began"],
)
def test_any_on_tells_blank_from_off(values, span, answer):
    assert runs(values).any_on(Span(*span)) is answer


def test_overlapping_leaves_out_runs_that_only_touch():
    found = list(runs([0, 1, 1, 0, 0]).overlapping(Span(0.1, 0.3)))

    assert [r.value for r in found] == [1]


@given(st.lists(st.sampled_from([0.0, 1.0, NAN]), min_size=1, max_size=60))
def test_runs_cover_every_row_once(values):
    found = runs(values)

    assert found.start_s[0] == 0.0
    assert found.end_s[-1] == pytest.approx(0.1 * len(values))
    assert found.start_s[1:] == pytest.approx(found.end_s[:-1])
    assert (np.diff(found.value) != 0).all()
    assert found.seconds(1) == pytest.approx(0.1 * values.count(1.0))
