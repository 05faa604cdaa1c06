from dataclasses import replace
from datetime import UTC, datetime

import pytest
from rides import part_from, settings_from

from ridecheck.core.model import Evidence
from ridecheck.signals.pulses import maybe_short
from ridecheck.trace import trace_ride

PIECES = ["speed to 100 at 1.5 m/s2", "cruise 100 km/h, gear 5, 60 s"]
HOLD_S = 18.52
"""When the hold begins: 100 km/h at 1.5 m/s2 takes 18.52 s."""


def traced(*following, at_s=None, around_s=None, remarks=(), time_zone="UTC", **overlays):
    plan = {"pieces": [*PIECES, *following], **overlays}
    return trace_ride(
        [part_from(plan)],
        settings_from(plan),
        bike="T01",
        ride_id="T01-20260501T080000Z",
        at_s=at_s,
        around_s=around_s,
        remarks=remarks,
        time_zone=time_zone,
    )


def dropped(*at_s, **overlays):
    """A hold of 300 s let go for a second and taken up again at each of these seconds."""
    off = [[HOLD_S + s, HOLD_S + s + 1.0] for s in at_s]
    plan = {
        "pieces": [PIECES[0], "cruise 100 km/h, gear 5, 300 s", "brake 2.5 m/s2 to 60"],
        "off": {"cruise_engaged": off},
        **overlays,
    }
    return trace_ride([part_from(plan)], settings_from(plan), bike="T01", ride_id="r")


def test_a_braking_is_told_with_its_instant_row_and_order():
    found = traced("brake 2.5 m/s2 to 60", drop=["brake_lamp"], time_zone="Europe/Lisbon")

    (one,) = found.cancels
    assert one.cancel.time == datetime(2026, 5, 1, 8, 1, 18, 700_000, tzinfo=UTC)
    assert one.cancel.local_time == "2026-05-01 09:01:18.700 WEST"
    assert (one.cancel.cause, one.cancel.commanded) == ("front_brake", True)
    assert one.cancel.first_mover == "front_brake"
    assert one.engaged_s == pytest.approx(60.1, abs=0.2)
    assert one.order == "front brake on came first, 0.15 s before cruise disengaged"


def test_an_order_that_cannot_be_told_names_no_first_mover():
    (one,) = traced("brake 2.5 m/s2 to 60").cancels

    assert one.cancel.cause == "front_brake"
    assert one.cancel.first_mover is None


@pytest.mark.outside
@pytest.mark.parametrize("rate_hz", [5, 10, 20, 50])
@pytest.mark.parametrize(
    ("verb", "channel"), [("brake", "front_brake"), ("rear brake", "rear_brake")]
)
def test_switch_then_cruise_off_then_slowing(verb, channel, rate_hz):
    # SAE J1939-71, SPN 595 to 598: cruise active goes to 0 because the brake switch shows
    # on, so the switch is never later than cruise, and the bike slows after both.
    (one,) = traced(f"{verb} 2.5 m/s2 to 40", rate_hz=rate_hz, drop=["brake_lamp"]).cancels
    ways = ((channel, True), ("cruise_engaged", False), ("wheel_speed", False))

    switch, let_go, slows = (next(m for m in one.moves if (m.channel, m.up) == way) for way in ways)

    assert not let_go.surely_before(switch)
    assert not slows.surely_before(let_go)
    assert switch.at_s <= let_go.at_s <= slows.at_s


def test_a_short_pulse_nobody_made_is_counted_over_the_whole_ride():
    pulse_s = HOLD_S + 30.0
    alike = [[pulse_s, pulse_s + 0.1], [5.0, 5.1], [9.0, 9.1]]
    found = traced(
        "100 km/h, gear 5, 10 s",
        on={"front_brake": alike},
        off={"cruise_engaged": [[pulse_s + 0.15, 500]]},
        drop=["brake_lamp"],
    )

    one = found.cancels[0]
    assert one.cancel.commanded is False
    assert Evidence("repeated", {"count": 3.0, "longest_s": 0.1, "off": 2.0}) in one.cancel.evidence
    assert not [r for r in one.remarks if "short_pulse" in r.kind]  # said once


@pytest.mark.parametrize(("stays_s", "stuck"), [(60.0, [60.0]), (3.0, [])])
def test_a_brake_that_stays_on_while_riding_on_is_remarked(stays_s, stuck):
    at_s = HOLD_S + 30.0
    found = traced(
        "100 km/h, gear 5, 60 s",
        on={"rear_brake": [[at_s, at_s + stays_s]]},
        off={"cruise_engaged": [[at_s + 0.15, 500]]},
        drop=["brake_lamp"],
    )

    one = found.cancels[0]
    seen = [e.figures for e in one.cancel.evidence if e.kind == "stuck_on_driven"]
    assert [f["length_s"] for f in seen] == stuck
    assert not [r for r in one.remarks if r.kind == "stayed_on"]  # said once


def test_engine_braking_under_a_brake_that_sticks_is_no_riders_braking():
    at_s = HOLD_S + 60.0
    found = traced(
        "coast 0.9 m/s2 to 85",
        "85 km/h, gear 5, 60 s",
        on={"rear_brake": [[at_s - 0.1, at_s + 50.0]]},
        drop=["brake_lamp"],
    )

    one = found.cancels[0].cancel
    assert (one.cause, one.commanded) == ("rear_brake", False)
    assert one.evidence[1].kind == "stuck_on_driven"


def test_a_clutch_pulled_later_is_no_effect_of_a_pulse_now():
    at_s = HOLD_S + 30.0
    found = traced(
        "clutch 0.7 m/s2 to 60",
        on={"clutch": [[at_s, at_s + 0.1]]},
        off={"cruise_engaged": [[at_s + 0.15, 500]]},
    )

    one = found.cancels[0].cancel
    assert (one.cause, one.commanded) == ("clutch", False)


def test_a_real_braking_is_no_short_pulse():
    plan = {"pieces": [*PIECES, "brake 2.5 m/s2 to 60", "brake 2.5 m/s2 to 40"]}
    from ridecheck.signals.ride import Ride

    ride = Ride("r", "T01", [part_from(plan)], settings_from(plan))

    assert maybe_short(ride, "front_brake") == []


def test_several_unrelated_switches_in_one_row_point_at_supply_earth_or_logger():
    at_s = HOLD_S + 30.0
    found = traced(
        "100 km/h, gear 5, 10 s",
        on={n: [[at_s, at_s + 0.1]] for n in ("front_brake", "clutch", "roll_off")},
        off={"cruise_engaged": [[at_s, 500]], "cruise_armed": [[at_s, at_s + 0.1]]},
    )

    (together,) = (r for r in found.cancels[0].remarks if r.kind == "switched_together")
    assert together.figures["count"] == 4


def test_the_riders_next_press_is_found():
    found = dropped(100.0, on={"switch_resume": [[HOLD_S + 100.6, HOLD_S + 100.9]]})

    assert found.cancels[0].press_s == pytest.approx(0.6, abs=0.06)


def test_no_named_part_where_inputs_were_not_logged():
    found = dropped(100.0, drop=["roll_off", "front_brake", "rear_brake", "brake_lamp"])

    one = found.cancels[0].cancel
    assert (one.cause, one.first_mover) == ("unexplained", None)
    assert {"roll_off", "front_brake", "rear_brake"} <= set(one.not_logged)


def test_holds_are_inferred_where_cruise_is_not_logged_and_blame_nobody():
    found = traced(
        "coast 0.9 m/s2 to 60", drop=["cruise_engaged", "cruise_armed", "cruise_set_speed"]
    )

    (one,) = found.cancels
    assert found.inferred
    assert (one.cancel.inferred, one.cancel.cause) == (True, "unexplained")
    assert one.cancel.commanded is None
    assert "cruise_engaged" not in found.channels
    assert found.next_ride.add[0] == "cruise_engaged"


def test_what_ten_silent_cancels_at_10_hz_do_not_rule_out():
    # The worked example of the trade: 0.8 to the tenth power is 11 % (recomputed here).
    found = dropped(*range(20, 220, 20), rate_hz=10)

    (seen,) = [d for d in found.detectable if d.channel == "roll_off" and d.pulse_s == 0.02]
    assert (seen.events, round(seen.chance, 3)) == (10, 0.2)
    assert seen.unseen == pytest.approx(0.8**10, rel=1e-6)


@pytest.mark.parametrize(
    ("overlays", "through", "interval_s", "chance"),
    [
        ({"rate_hz": 20}, "", 0.05, 0.4),
        ({"rate_hz": 100}, "", 0.01, 1.0),
        ({"rate_hz": 20, "latched": ["front_brake"]}, "", 0.05, 1.0),
        ({"rate_hz": 20, "drop": ["front_brake"]}, "brake_lamp", 0.05, 0.4),
        ({"rate_hz": 20, "drop": ["front_brake", "brake_lamp"]}, "", None, 0.0),
    ],
)
def test_what_could_be_seen_of_a_20_ms_bounce_of_the_front_brake(
    overlays, through, interval_s, chance
):
    found = dropped(100.0, **overlays)

    (seen,) = [d for d in found.detectable if d.channel == "front_brake" and d.pulse_s == 0.02]
    assert seen.through == through
    assert seen.interval_s == (pytest.approx(interval_s) if interval_s else None)
    assert seen.chance == pytest.approx(chance)


def test_the_next_ride_asks_for_channels_rate_and_distance():
    found = dropped(50.0, 150.0, rate_hz=10, drop=["roll_off"])

    told = " ".join(found.next_ride.sentences)
    assert "roll_off" in found.next_ride.add
    assert "front_brake" in found.next_ride.faster
    # 90 % of catching one more at 2 in D km: -ln(0.1) x D / 2 (Poisson).
    assert found.next_ride.km == pytest.approx(2.302585 * found.engaged_km / 2, rel=1e-6)
    assert "at 50 Hz or faster, or latched" in told
    assert "fitted by a qualified person" in told


def test_a_ride_without_unwanted_cancels_promises_no_distance():
    found = traced("brake 2.5 m/s2 to 60")

    assert found.next_ride.km is None
    assert "is not known" in " ".join(found.next_ride.sentences)


def test_at_an_instant_only_what_is_near_is_told_but_all_is_counted():
    found_all = dropped(50.0, 150.0, 250.0)
    plan = {
        "pieces": [PIECES[0], "cruise 100 km/h, gear 5, 300 s", "brake 2.5 m/s2 to 60"],
        "off": {"cruise_engaged": [[HOLD_S + s, HOLD_S + s + 1.0] for s in (50.0, 150.0, 250.0)]},
    }
    found = trace_ride([part_from(plan)], settings_from(plan), at_s=HOLD_S + 151.0, around_s=4.0)

    assert [round(c.cancel.t_s - HOLD_S) for c in found.cancels] == [150]
    assert len(found.strips) == 1
    assert (found.strips[0].before_s, found.strips[0].after_s) == (4.0, 4.0)
    assert found.next_ride == found_all.next_ride


def test_an_instant_without_a_cancel_is_shown_all_the_same():
    found = traced("brake 2.5 m/s2 to 60", at_s=18.5)

    assert found.cancels == ()
    assert found.view is not None
    assert "set button pressed" in [m.what for m in found.view.moves]


def test_an_undated_ride_is_traced_by_its_own_clock():
    plan = {"pieces": [*PIECES, "brake 2.5 m/s2 to 60"]}
    part = part_from(plan)
    undated = replace(part, info=replace(part.info, dating="none"))

    found = trace_ride([undated], settings_from(plan))

    assert (found.start, found.cancels[0].cancel.time) == (None, None)
    assert found.cancels[0].cancel.t_s == pytest.approx(78.7, abs=0.06)


def test_the_log_ending_with_cruise_engaged_is_no_cancel_of_anybody():
    (one,) = traced().cancels

    assert one.cancel.cause == "log_end"
    assert one.order == "the log ends with cruise engaged"


def test_notes_of_weather_are_told_as_they_are():
    found = traced("brake 2.5 m/s2 to 60", remarks=("wash noted 16 h before this ride",))

    assert found.notes[-1].message == "wash noted 16 h before this ride"
