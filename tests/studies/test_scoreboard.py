"""Twenty-four bikes of the tuning set get exactly the verdict they deserve.

The whole board is `make scoreboard`; this part of it runs with the tests.
"""

import pytest
from scoreboard import Job, board, jobs_for, judge_bikes, reporting_seed, share

from ridecheck.simulate import FAULT_NAMES

SEED = 7
FAULTY = {
    "rear-switch-set-too-early": "inspect",
    "front-switch-chatters": "inspect",
    "rear-switch-stuck-on": "inspect",
    "cruise-contact-opens": "inspect",
    "roll-off-misadjusted": "inspect",
    "clutch-switch-chatters": "inspect",
    "speed-sensor-drops-out": "inspect",
    "engine-speed-lost": "inspect",
    "brake-line-dead": "keep_in",
    "front-brake-does-not-cancel": "keep_in",
    "cruise-holds-under-brakes": "keep_in",
    "engages-by-itself": "keep_in",
}
HEALTHY = {
    "full": "release",
    "plain": "release",
    "boot-on-pedal": "release",
    "brake-dragged": "release",
    "emergency-braking": "release",
    "grip-flick": "release",
    "loads-switched": "release",
    "long-downhill": "release",
    "long-override": "release",
    "rough-road": "release",
    "slow": "no_opinion",
    "wrong-model": "no_opinion",
}


@pytest.fixture(scope="module")
def rows():
    rich = {"rate_hz": 20.0, "channels": "full"}
    faulty = [Job("tuning", SEED, 1, "fault", name, **rich) for name in FAULTY]
    healthy = [
        Job("tuning", SEED, 1, "healthy", kind=kind, **({} if kind == "slow" else rich))
        for kind in HEALTHY
    ]
    return judge_bikes([*faulty, *healthy])


def test_every_bike_gets_the_verdict_it_deserves(rows):
    told = {r.job.fault or r.job.kind: r.verdict for r in rows}

    assert not [r.error for r in rows if r.error]
    assert told == FAULTY | HEALTHY


def test_no_healthy_bike_is_ever_flagged(rows):
    assert [r.job.kind for r in rows if not r.job.fault and r.ever_flagged] == []


def test_nearly_all_true_cancels_are_found_with_their_cause(rows):
    cancels, found, right = (
        sum(getattr(r, n) for r in rows) for n in ("cancels", "found", "cause_right")
    )

    assert cancels > 200
    assert found > 0.95 * cancels
    assert right > 0.9 * found


def test_the_board_tells_its_tables_from_the_rows(rows):
    text = board(rows)

    assert "## By fault" in text
    assert "## Healthy bikes and look-alikes" in text
    assert "| brake-line-dead (danger) | 1 | 1 of 1 | 0 | 1 of 1 |" in text


def test_no_opinion_is_its_own_column_and_never_a_catch(rows):
    quiet = [r for r in rows if r.verdict == "no_opinion"]

    assert quiet
    assert not any(r.caught for r in quiet)


def test_reporting_seeds_are_no_tuning_seeds_and_depend_on_the_version(monkeypatch):
    import ridecheck

    now = reporting_seed()
    monkeypatch.setattr(ridecheck, "__version__", "99.0.0")

    assert now >= 1_000_000
    assert reporting_seed() != now


def test_the_full_board_covers_every_fault_and_every_group():
    sizes = {"fault": 2, "healthy": 30, "long": 1, "season": 1, "days": 5}

    jobs = jobs_for("reporting", reporting_seed(), sizes, [])

    assert {j.fault for j in jobs if j.group == "fault"} == set(FAULT_NAMES)
    assert {j.group for j in jobs} == {"fault", "healthy", "long", "season"}


@pytest.mark.outside
@pytest.mark.parametrize(
    ("hits", "of", "text"),
    [
        (81, 263, "30.8 % (25.5 to 36.6; 81 of 263)"),
        (15, 148, "10.1 % (6.2 to 16.0; 15 of 148)"),
        (0, 20, "0.0 % (0.0 to 16.1; 0 of 20)"),
        (3, 19, "3 of 19"),
        (0, 0, "-"),
    ],
)
def test_shares_carry_wilson_intervals(hits, of, text):
    """Figures of "Two-sided confidence intervals for the single proportion: comparison of
    seven methods", Statistics in Medicine 17, 1998 (from memory; agree with recomputation)."""
    assert share(hits, of) == text
