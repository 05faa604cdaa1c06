"""The set of stretches against the same set as single ticks of a clock."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridecheck.core.model import Span
from ridecheck.signals.intervals import NOTHING, Intervals

TICK_S = 0.05
LAST = 40

spans = st.lists(
    st.tuples(st.integers(0, LAST), st.integers(0, LAST)).map(
        lambda ends: Span(min(ends) * TICK_S, max(ends) * TICK_S)
    ),
    max_size=8,
)
lengths = st.integers(0, LAST // 2)


def ticks(intervals):
    """The ticks a set holds, each by its number: [start, end) without the end."""
    return {n for s in intervals for n in range(round(s.start_s / TICK_S), round(s.end_s / TICK_S))}


def stretches(held):
    """Ticks as stretches: first and last + 1 of each unbroken row of numbers."""
    found = []
    for n in sorted(held):
        if found and found[-1][1] == n:
            found[-1][1] = n + 1
        else:
            found.append([n, n + 1])
    return [tuple(pair) for pair in found]


def in_ticks(intervals):
    return [(round(s.start_s / TICK_S), round(s.end_s / TICK_S)) for s in intervals]


@given(spans)
def test_any_spans_become_sorted_stretches_that_do_not_meet(given_spans):
    held = {n for s in given_spans for n in ticks([s])}

    assert in_ticks(Intervals.of(given_spans)) == stretches(held)


@given(spans, spans)
def test_and_or_and_minus_are_those_of_sets(one, two):
    a, b = Intervals.of(one), Intervals.of(two)

    assert in_ticks(a & b) == stretches(ticks(a) & ticks(b))
    assert in_ticks(a | b) == stretches(ticks(a) | ticks(b))
    assert in_ticks(a - b) == stretches(ticks(a) - ticks(b))


@given(spans, spans)
def test_a_stretch_touches_another_set_or_is_apart_from_it(one, two):
    a, b = Intervals.of(one), Intervals.of(two)
    touched = [pair for pair in in_ticks(a) if set(range(*pair)) & ticks(b)]
    apart = [pair for pair in in_ticks(a) if not set(range(*pair)) & ticks(b)]

    assert in_ticks(a.touching(b)) == touched
    assert in_ticks(a.apart_from(b)) == apart


@given(spans, spans)
def test_one_span_stands_for_a_set_of_one(one, two):
    a, other = Intervals.of(one), Intervals.of(two).longest or Span(0.0, 0.0)
    alone = Intervals.of([other])

    assert in_ticks(a & other) == in_ticks(a & alone)
    assert in_ticks(a | other) == in_ticks(a | alone)
    assert in_ticks(a - other) == in_ticks(a - alone)
    assert in_ticks(a.touching(other)) == in_ticks(a.touching(alone))
    assert in_ticks(a.apart_from(other)) == in_ticks(a.apart_from(alone))


@given(spans, lengths)
def test_joining_fills_the_gaps_up_to_a_length_and_no_other(one, gap):
    a = Intervals.of(one)
    pairs = in_ticks(a)
    bridged = {
        n
        for (_, end), (start, _) in pairwise(pairs)
        if start - end <= gap
        for n in range(end, start)
    }

    assert in_ticks(a.joined(gap * TICK_S)) == stretches(ticks(a) | bridged)


@given(spans, lengths)
def test_widening_holds_every_instant_so_near(one, by):
    a = Intervals.of(one)
    near = {n + k for n in ticks(a) for k in range(-by, by + 1)}

    assert in_ticks(a.widened(by * TICK_S)) == stretches(near)


@given(spans, lengths)
def test_longer_than_leaves_out_its_own_length_and_at_least_does_not(one, length):
    a = Intervals.of(one)

    assert in_ticks(a.longer_than(length * TICK_S)) == [
        pair for pair in in_ticks(a) if pair[1] - pair[0] > length
    ]
    assert in_ticks(a.at_least(length * TICK_S)) == [
        pair for pair in in_ticks(a) if pair[1] - pair[0] >= length
    ]


@given(spans, st.integers(0, LAST))
def test_an_instant_is_held_ends_included(one, at):
    a = Intervals.of(one)

    assert a.holds(at * TICK_S) == any(start <= at <= end for start, end in in_ticks(a))


@given(spans)
def test_seconds_are_those_of_all_stretches(one):
    a = Intervals.of(one)

    assert a.seconds == pytest.approx(len(ticks(a)) * TICK_S)


@given(spans)
def test_where_takes_flags_or_a_question(one):
    a = Intervals.of(one)
    long = a.length_s > 10 * TICK_S

    assert in_ticks(a.where(long)) == in_ticks(a.where(lambda s: s.length_s > 10 * TICK_S))


def test_nothing_holds_no_time():
    assert len(NOTHING) == 0
    assert NOTHING.seconds == 0.0
    assert NOTHING.longest is None
    assert not NOTHING.holds(0.0)
    assert in_ticks(NOTHING | Intervals.of([Span(0.0, 1.0)])) == [(0, 20)]


def test_rounding_of_seconds_splits_and_joins_nothing():
    a = Intervals.of([Span(0.1, 0.1 + 0.2), Span(0.3, 0.6)])

    assert len(a) == 1
    assert len(a.longer_than(0.5)) == 0
    assert len(a.at_least(0.5)) == 1
    assert np.array_equal(a.length_s > 0, [True])
