"""Was a cancel commanded: each kind of fault, and the rider's ways that look like it."""

from dataclasses import replace

import pytest
from rides import ride_from

from ridecheck.signals import cancels
from ridecheck.signals.cancels import intent

HOLD = ["100 km/h, gear 5, 20 s", "cruise 100 km/h, gear 5, 60 s"]  # lets go at 80 s
ON = {"pieces": [*HOLD, "coast 0.9 m/s2 to 93.5", "93.5 km/h, gear 5, 80 s"]}
LET_GO_S = 80.0
"""When the hand, or the fault, ends the hold; cruise disengages 0.15 s later."""

PULSE = [LET_GO_S, LET_GO_S + 0.1]


def pulses(*at_s, length_s=0.1):
    return [[s, s + length_s] for s in (*at_s, LET_GO_S)]


def the_cancel(at_s=LET_GO_S, **changes):
    ride = ride_from(ON | changes)
    return next(c for c in cancels.cancels(ride) if abs(c.t_s - at_s) < 1.5)


def again(after_s, *, length_s=30.0):
    """Engaged again so long after the cancel, the ride going on at 100 km/h."""
    start_s = LET_GO_S + 0.15 + after_s
    return {
        "pieces": [*HOLD, "100 km/h, gear 5, 80 s"],
        "on": {"cruise_engaged": [[start_s, start_s + length_s]]},
    }


def saw(kind, **figures):
    """A kind of evidence, and figures it must have, to a hundredth."""
    return kind, figures


FAULTS = {
    "a brake switch on while the bike is driven on": (
        {"on": {"rear_brake": [[LET_GO_S, LET_GO_S + 40.0]]}},
        "rear_brake",
        saw("stuck_on_driven", length_s=40.0, speed_kmh=93.5),
    ),
    "the same at 5 Hz": (
        {"rate_hz": 5, "on": {"rear_brake": [[LET_GO_S, LET_GO_S + 40.0]]}},
        "rear_brake",
        saw("stuck_on_driven"),
    ),
    "still on when the log ends": (
        {"on": {"front_brake": [[LET_GO_S, 500.0]]}},
        "front_brake",
        saw("stuck_on_driven"),
    ),
    "a clutch switch on with engine and wheel locked": (
        {"on": {"clutch": [[LET_GO_S, LET_GO_S + 60.0]]}},
        "clutch",
        saw("stuck_on_locked"),
    ),
    "a pulse like others with cruise off": (
        {"on": {"rear_brake": pulses(5.0, 9.0, 110.0)}},
        "rear_brake",
        saw("repeated", count=4, longest_s=0.1, off=3),
    ),
    "the same at 5 Hz, where one pulse alone says nothing": (
        {"rate_hz": 5, "on": {"rear_brake": pulses(5.0, 9.0, 110.0, length_s=0.2)}},
        "rear_brake",
        saw("repeated", count=4),
    ),
    "a contact that bounces": (
        {"on": {"front_brake": [[80.0, 80.1], [80.25, 80.3], [80.5, 80.6]]}},
        "front_brake",
        saw("bounces", pulses=3, within_s=0.6),
    ),
    "a throttle-closed switch that shows on with the throttle open elsewhere": (
        {"on": {"roll_off": [[8.0, 8.4], [LET_GO_S, LET_GO_S + 0.4]]}},
        "roll_off",
        saw("on_elsewhere", times=1),
    ),
    "a pulse, and cruise asked for again at once": (
        again(3.0) | {"on": again(3.0)["on"] | {"clutch": [PULSE]}},
        "clutch",
        saw("engaged_again", after_s=3.15),
    ),
    "a main switch lamp that goes with no press": (
        {"off": {"cruise_armed": [[LET_GO_S, 200.0]]}, "channels": ["supply_voltage"]},
        "power_switch",
        saw("lamp_without_press"),
    ),
    "the same where a dip of the supply would not show": (
        {"off": {"cruise_armed": [[LET_GO_S, 200.0]]}},
        "unexplained",
        saw("supply_or_contact"),
    ),
    "a press that follows the lamp has not put it out": (
        {
            "off": {"cruise_armed": [[LET_GO_S, LET_GO_S + 3.0]]},
            "on": {"switch_power": [[LET_GO_S + 0.3, LET_GO_S + 0.7]]},
            "channels": ["supply_voltage"],
        },
        "power_switch",
        saw("lamp_without_press"),
    ),
    "a pulse shorter than any hand's, and braking a second later": (
        {
            "rate_hz": 50,
            "on": {"front_brake": [[LET_GO_S, LET_GO_S + 0.06]], "rear_brake": [[80.7, 83.0]]},
        },
        "front_brake",
        saw("too_quick"),
    ),
    "a contact that opens for a moment in a touch": (
        {"rate_hz": 50, "on": {"front_brake": [[80.0, 80.16], [80.2, 80.4]]}},
        "front_brake",
        saw("bounces", pulses=2, within_s=0.4),
    ),
    "a brake switch on while the bike is driven on at little throttle": (
        {
            "pieces": [
                "60 km/h, gear 5, 20 s",
                "cruise 60 km/h, gear 5, 60 s",
                "coast 0.7 m/s2 to 57, gear 5",
                "57 km/h, gear 5, 40 s",
            ],
            "on": {"rear_brake": [[LET_GO_S, LET_GO_S + 8.0]]},
            "set": {
                "throttle": [[0.0, 5.0, 0.0], [30.0, LET_GO_S, 2.5], [LET_GO_S + 1.2, 130.0, 2.5]],
                "throttle_grip": [[0.0, 5.0, 0.0], [LET_GO_S + 1.2, 130.0, 2.5]],
            },
        },
        "rear_brake",
        saw("stuck_on_driven"),
    ),
    "a clutch switch on through a change of gear": (
        {
            "pieces": [*HOLD, "100 km/h, gear 4, 30 s"],
            "on": {"clutch": [[LET_GO_S, LET_GO_S + 25.0]]},
        },
        "clutch",
        saw("stuck_on_locked"),
    ),
    "engine speed steps, and with it the gear that is worked out from it": (
        {
            "times": {"engine_speed": [[LET_GO_S, LET_GO_S + 0.1, 1.7]]},
            "set": {"gear": [[LET_GO_S, LET_GO_S + 0.1, 3.0]]},
        },
        "gear_change",
        saw("engine_spiked"),
    ),
    "several buttons in one row": (
        {"on": {n: [PULSE] for n in ("switch_set", "switch_resume", "switch_cancel")}},
        "cancel_switch",
        saw("buttons_together", buttons="set and resume"),
    ),
    "neutral for a moment, the ratio unmoved": (
        {"set": {"gear": [[LET_GO_S, LET_GO_S + 0.2, 0.0]]}},
        "gear_change",
        saw("gear_flickered", length_s=0.2),
    ),
    "wheel speed steps and engine speed does not": (
        {"times": {"wheel_speed": [[LET_GO_S, LET_GO_S + 0.1, 1.5]]}},
        "speed_jump",
        saw("wheel_jumped"),
    ),
    "engine speed steps and wheel speed does not": (
        {"times": {"engine_speed": [[LET_GO_S, LET_GO_S + 0.1, 1.7]]}},
        "engine_flare",
        saw("engine_spiked"),
    ),
    "engine speed gone while the wheel turns the engine": (
        {"set": {"engine_speed": [[LET_GO_S - 0.2, LET_GO_S + 20.0, 0.0]]}},
        "signal_lost",
        saw("engine_speed_lost", to_rpm=0.0, speed_kmh=99.5),
    ),
    "a throttle-closed switch that stays on as the grip opens elsewhere": (
        {
            "on": {"roll_off": [[8.0, 8.8], [LET_GO_S, LET_GO_S + 0.4]]},
            "set": {"throttle_grip": [[0.0, 8.4, 0.0], [79.0, 82.0, 0.0]]},
        },
        "roll_off",
        saw("on_elsewhere", times=1),
    ),
    "a throttle-closed switch after which cruise was set again at once, twice before": (
        {
            "on": {"roll_off": [[40.0, 40.7], [60.0, 60.7], [LET_GO_S, LET_GO_S + 0.7]]},
            "off": {"cruise_engaged": [[40.1, 43.0], [60.1, 63.0]]},
        },
        "roll_off",
        saw("in_vain_elsewhere", times=2, within_s=5.0),
    ),
    "pulses as long as a quick hand's, of a contact that also makes shorter ones": (
        {
            "on": {
                "front_brake": [
                    *[[s, s + 0.3] for s in (5.0, 12.0, LET_GO_S)],
                    [9.0, 9.1],
                    [15.0, 16.0],
                    [115.0, 116.0],
                ]
            }
        },
        "front_brake",
        saw("repeated", count=4, longest_s=0.3),
    ),
    "three pulses of a length a hand makes, faster than a hand works": (
        {
            "rate_hz": 50,
            "on": {"front_brake": [[80.0, 80.15], [80.25, 80.4], [80.5, 80.65]]},
        },
        "front_brake",
        saw("bounces", pulses=3, within_s=0.66),
    ),
    "a pulse after the cancel, of a contact that makes more of them": (
        {
            "rate_hz": 50,
            "on": {
                "front_brake": [[s, s + 0.1] for s in (5.0, 9.0, 12.0, 110.0, LET_GO_S + 0.3)],
            },
        },
        "front_brake",
        saw("control_bursts"),
    ),
    "set and resume at once as cruise disengages": (
        {
            "on": {n: [[LET_GO_S, LET_GO_S + 0.2]] for n in ("switch_set", "switch_resume")},
            "drop": ["roll_off"],
        },
        "unexplained",
        saw("panel_chattered"),
    ),
    "a lamp back at once, the main switch shown with it": (
        {
            "off": {"cruise_armed": [[LET_GO_S, LET_GO_S + 0.1]]},
            "on": {"switch_power": [[LET_GO_S + 0.05, LET_GO_S + 0.3]]},
            "channels": ["supply_voltage"],
        },
        "power_switch",
        saw("lamp_back", after_s=0.1),
    ),
    "the engine runs up with the clutch at rest, its switch shown to work": (
        {
            "on": {"clutch": [[s, s + 0.8] for s in (3.0, 7.0, 11.0)]},
            "times": {"engine_speed": [[LET_GO_S - 0.3, LET_GO_S + 5.0, 1.5]]},
        },
        "engine_flare",
        saw("clutch_at_rest"),
    ),
    "a clutch pulse just after a change of gear": (
        {
            "pieces": [
                HOLD[0],
                "cruise 100 km/h, gear 4, 59.4 s",
                "cruise 100 km/h, gear 5, 0.6 s",
                *ON["pieces"][2:],
            ],
            "on": {"clutch": pulses(5.0, 9.0, 110.0)},
            "rate_hz": 50,
        },
        "clutch",
        saw("repeated", count=4, longest_s=0.1),
    ),
    "wheel speed leaps and engine speed is not logged": (
        {
            "times": {"wheel_speed": [[LET_GO_S + 0.05, LET_GO_S + 0.3, 1.2]]},
            "drop": ["engine_speed", "gear"],
        },
        "speed_jump",
        saw("no_bike_does"),
    ),
    "wheel speed gone before the brake came on": (
        {
            "set": {"wheel_speed": [[LET_GO_S, LET_GO_S + 0.4, 0.0]]},
            "on": {"front_brake": [[LET_GO_S + 0.1, LET_GO_S + 2.0]]},
        },
        "signal_lost",
        saw("wheel_speed_lost", from_kmh=100.0, to_kmh=0.0),
    ),
    "a spike of engine speed soon after a change of gear": (
        {
            "pieces": [
                HOLD[0],
                "cruise 100 km/h, gear 4, 58.5 s",
                "cruise 100 km/h, gear 5, 1.5 s",
                *ON["pieces"][2:],
            ],
            "times": {"engine_speed": [[LET_GO_S, LET_GO_S + 0.1, 1.4]]},
            "drop": ["gear"],
        },
        "engine_flare",
        saw("engine_spiked", within_s=0.35),
    ),
    "wheel speed leaps, and a brake comes on before cruise disengages": (
        {
            "times": {"wheel_speed": [[LET_GO_S, LET_GO_S + 0.3, 1.2]]},
            "on": {"front_brake": [[LET_GO_S + 0.1, LET_GO_S + 2.0]]},
            "drop": ["engine_speed", "gear"],
        },
        "speed_jump",
        saw("no_bike_does"),
    ),
    "neutral for a moment, just after the engine has settled": (
        {
            "set": {"gear": [[LET_GO_S, LET_GO_S + 0.2, 0.0]]},
            "times": {"engine_speed": [[LET_GO_S - 1.5, LET_GO_S - 0.2, 0.85]]},
        },
        "gear_change",
        saw("gear_flickered"),
    ),
    "engine speed back after it was gone": (
        {"set": {"engine_speed": [[LET_GO_S - 4.0, LET_GO_S, 0.0]]}},
        "engine_flare",
        saw("engine_was_gone", from_rpm=0.0),
    ),
}


@pytest.mark.parametrize(("changes", "cause", "evidence"), FAULTS.values(), ids=FAULTS)
def test_an_input_that_looks_like_a_fault_was_not_commanded(changes, cause, evidence):
    cancel = the_cancel(**changes)

    assert (cancel.cause, cancel.commanded) == (cause, False), cancel.evidence
    kind, figures = evidence
    found = next(e.figures for e in cancel.evidence if e.kind == kind)
    assert {n: found[n] for n in figures} == {
        n: v if isinstance(v, str) else pytest.approx(v, abs=0.015) for n, v in figures.items()
    }


TAPS_S = (40.0, 60.0)


def tapping(**changes):
    """A rider who lets cruise go by a tap of the lever each time, and goes on by hand."""
    return {
        "pieces": [
            *HOLD[:1],
            *(["cruise 100 km/h, gear 5, 20 s", "100 km/h, gear 5, 20 s"] * 2),
            "cruise 100 km/h, gear 5, 20 s",
            "100 km/h, gear 5, 20 s",
        ],
        "on": {"front_brake": [[s, s + 0.15] for s in (40.0, 80.0, 120.0)]},
        **changes,
    }


RIDERS = {
    "braking whose contact closes in two steps": {
        "pieces": [*HOLD, "brake 3.5 m/s2 to 60, gear 5", "60 km/h, gear 5, 20 s"],
        "rate_hz": 50,
        "off": {"front_brake": [[LET_GO_S + 0.04, LET_GO_S + 0.1]]},
    },
    "both brakes held, and the throttle opened against them": {
        "on": {
            "front_brake": [[LET_GO_S, LET_GO_S + 6.0]],
            "rear_brake": [[LET_GO_S + 0.1, LET_GO_S + 1.0]],
        }
    },
    "a rear brake dragged down a slope, throttle shut": {
        "pieces": [*HOLD, "coast 0.15 m/s2 to 95", "95 km/h, gear 5, 20 s"],
        "on": {"rear_brake": [[LET_GO_S, LET_GO_S + 9.0]]},
        "set": {"throttle": [[LET_GO_S, LET_GO_S + 9.0, 0.0]]},
        "drop": ["throttle_grip"],
    },
    "a boot on the pedal for two seconds": {"on": {"rear_brake": [[LET_GO_S, LET_GO_S + 2.0]]}},
    "a boot on the pedal, and cruise wanted back": again(3.0)
    | {"on": again(3.0)["on"] | {"rear_brake": [[LET_GO_S, LET_GO_S + 2.0]]}},
    "fingers on the lever, longer touches too": {
        "on": {
            "front_brake": [
                *[[s, s + 0.7] for s in (3.0, 7.0, 11.0, 15.0, 100.0, 110.0)],
                *pulses(19.0, 120.0, length_s=0.3),
            ]
        }
    },
    "a tap, as at every other cancel of the ride": tapping(),
    "a tap of the lever, then braking": {
        "on": {"front_brake": [[LET_GO_S, LET_GO_S + 0.2]], "rear_brake": [[80.6, 82.0]]}
    },
    "touches of a row each, at 1 Hz": {
        "rate_hz": 1,
        "on": {"rear_brake": [[s, s + 1.0] for s in (5.0, 9.0, 80.0, 110.0)]},
    },
    "two flicks of the grip, opened between them": {
        "on": {"roll_off": [[8.0, 8.3], [9.0, 9.3], [LET_GO_S, LET_GO_S + 0.4]]},
        "set": {"throttle_grip": [[0.0, 8.5, 0.0], [8.8, 12.0, 0.0], [79.0, 82.0, 0.0]]},
    },
    "a grip opened as the contact goes off": {
        "on": {"roll_off": [[8.0, 8.5], [LET_GO_S, LET_GO_S + 0.4]]},
        "set": {"throttle_grip": [[0.0, 8.5, 0.0], [79.0, 82.0, 0.0]]},
    },
    "two steps of the set speed, then the brake": {
        "pieces": [*HOLD, "brake 3.5 m/s2 to 60, gear 5", "60 km/h, gear 5, 20 s"],
        "on": {"switch_resume": [[LET_GO_S - 0.6, LET_GO_S - 0.4], [LET_GO_S - 0.2, LET_GO_S]]},
    },
    "the clutch, whose switch is dead: the engine flares": {
        "times": {"engine_speed": [[LET_GO_S - 0.3, LET_GO_S + 5.0, 1.5]]},
    },
    "a speed signal that leaps while cruise holds, then the brake": {
        "pieces": [*HOLD, "brake 3.5 m/s2 to 60, gear 5", "60 km/h, gear 5, 20 s"],
        "times": {"wheel_speed": [[50.0, 50.1, 1.2], [LET_GO_S, LET_GO_S + 0.1, 1.2]]},
    },
    "a flick of the grip": {"on": {"roll_off": [[LET_GO_S, LET_GO_S + 0.15]]}},
    "a flick of the grip, and cruise wanted back after a bend": again(9.0)
    | {"on": again(9.0)["on"] | {"roll_off": [[LET_GO_S, LET_GO_S + 0.3]]}},
    "the throttle rolled closed three times, then opened by hand before cruise is set again": {
        "on": {"roll_off": [[40.0, 40.7], [60.0, 60.7], [LET_GO_S, LET_GO_S + 0.7]]},
        "off": {"cruise_engaged": [[40.1, 44.0], [60.1, 64.0]]},
        "set": {"throttle_grip": [[41.8, 44.0, 12.0], [61.8, 64.0, 12.0]]},
    },
    "the throttle rolled closed, and cruise wanted back at once": again(3.0)
    | {"on": again(3.0)["on"] | {"roll_off": [[LET_GO_S, LET_GO_S + 0.4]]}},
    "a light braking, and cruise wanted back": again(4.0)
    | {"on": again(4.0)["on"] | {"front_brake": [[LET_GO_S, LET_GO_S + 0.8]]}},
    "both brakes at once, one of them for a moment": {
        "on": {
            "front_brake": [[LET_GO_S, LET_GO_S + 0.2]],
            "rear_brake": [[LET_GO_S + 0.05, LET_GO_S + 0.8]],
        }
    },
    "the main switch pressed": {
        "on": {"switch_power": [[LET_GO_S - 0.2, LET_GO_S + 0.1]]},
        "off": {"cruise_armed": [[LET_GO_S, 200.0]]},
    },
    "the main switch pressed, seen in the row of its lamp at 10 Hz": {
        "rate_hz": 10,
        "on": {"switch_power": [[LET_GO_S, LET_GO_S + 0.2]]},
        "off": {"cruise_armed": [[LET_GO_S, 200.0]]},
    },
    "the main switch, at 5 Hz, which may miss a press": {
        "rate_hz": 5,
        "off": {"cruise_armed": [[LET_GO_S, 200.0]]},
    },
    "the clutch pulled for seven seconds": {"pieces": [*HOLD, "clutch 0.7 m/s2 to 82.4, gear 5"]},
    "a change of gear": {"pieces": [*HOLD, "100 km/h, gear 4, 40 s"]},
    "the cancel button alone": {"on": {"switch_cancel": [[LET_GO_S, LET_GO_S + 0.3]]}},
}


@pytest.mark.parametrize("rate_hz", [10, 20, 50])
@pytest.mark.parametrize("lost_kmh", [8, 11, 14])
def test_a_rider_who_rolls_off_slows_and_resumes_soon_is_ordinary_riding(lost_kmh, rate_hz):
    """Engine braking of 0.8 m/s2 takes 2.8 to 4.9 s over it; then cruise is engaged at once."""
    holds = [f"cruise {100 - n * lost_kmh} km/h, gear 5, 20 s" for n in range(4)]
    slows = [f"roll off 0.8 m/s2 to {100 - n * lost_kmh}, gear 5" for n in range(1, 4)]
    pieces = [HOLD[0], holds[0]]
    for slowing, hold in zip(slows, holds[1:], strict=True):
        pieces += [slowing, hold]
    ride = ride_from({"pieces": [*pieces, "coast 0.8 m/s2 to 50, gear 5"], "rate_hz": rate_hz})

    ended = [c for c in cancels.cancels(ride) if c.cause == "roll_off"]

    assert len(ended) >= 3
    assert {c.commanded for c in ended} == {True}


@pytest.mark.parametrize("changes", RIDERS.values(), ids=RIDERS)
def test_what_a_rider_does_is_never_called_not_asked_for(changes):
    ended = [c for c in cancels.cancels(ride_from(ON | changes)) if c.cause != "log_end"]
    with_input = [c for c in ended if c.cause != "unexplained"]

    assert with_input
    assert [c for c in with_input if c.commanded is False] == []


def test_taps_are_a_fault_where_the_control_also_pulses_with_cruise_off():
    taps = tapping()
    taps["on"] = {"front_brake": [*taps["on"]["front_brake"], *pulses(50.0, 55.0, 95.0, 135.0)]}

    first = cancels.cancels(ride_from(taps))[0]

    assert (first.cause, first.commanded) == ("front_brake", False)


def test_a_supply_too_slowly_logged_does_not_clear_the_main_switch():
    off = {"off": {"cruise_armed": [[LET_GO_S, 200.0]]}, "drop": ["switch_power"]}
    slow = {"channels": ["supply_voltage"], "refresh": {"supply_voltage": 0.2}}
    sharp = {"channels": ["supply_voltage"]}

    assert the_cancel(**off, **slow).commanded is None
    assert the_cancel(**off, **sharp).commanded is True


def test_a_leap_that_cruise_held_through_elsewhere_did_not_end_it():
    leaps = {"times": {"wheel_speed": [[50.0, 50.1, 1.3], [LET_GO_S + 0.1, LET_GO_S + 0.2, 1.2]]}}

    assert the_cancel(**leaps, drop=["engine_speed", "gear"]).cause == "unexplained"


def test_a_gear_that_flickers_away_from_the_cancel_did_not_end_it():
    def flickers(at_s):
        return {"set": {"gear": [[at_s, at_s + 0.3, 2.0]]}}

    assert the_cancel(**flickers(LET_GO_S)).cause == "gear_change"
    assert the_cancel(**flickers(LET_GO_S - 0.7)).cause == "unexplained"
    assert the_cancel(**flickers(LET_GO_S + 0.3)).cause == "unexplained"


def test_a_rider_who_once_let_cruise_go_in_vain_may_do_so_on_purpose_later():
    once = {
        "on": {"roll_off": [[40.0, 40.7], [LET_GO_S, LET_GO_S + 0.7]]},
        "off": {"cruise_engaged": [[40.1, 43.0]]},
    }

    assert the_cancel(**once).commanded is not False


def test_a_gear_changed_before_cruise_engaged_did_not_end_it():
    def changed(gear_s):
        return {
            "set": {"gear": [[0.0, gear_s, 4.0]]},
            "off": {"cruise_engaged": [[20.0, LET_GO_S - 0.5]]},
        }

    assert the_cancel(**changed(LET_GO_S - 0.2)).cause == "gear_change"
    assert the_cancel(**changed(LET_GO_S - 0.6)).cause == "unexplained"


ALSO = {
    "the stand flickers": {
        "on": {"side_stand": [[LET_GO_S, LET_GO_S + 0.1]]},
        "channels": ["side_stand"],
    },
    "the grip open while its switch shows it closed": {
        "on": {"roll_off": [[LET_GO_S, LET_GO_S + 0.4]]},
        "set": {"throttle_grip": [[0.0, 5.0, 0.0], [LET_GO_S - 0.2, LET_GO_S + 1.0, 15.0]]},
    },
    "one short pulse": {"on": {"front_brake": [PULSE]}},
    "the throttle rolled closed": {
        "pieces": [*HOLD, "roll off 0.9 m/s2 to 80, gear 5", "80 km/h, gear 5, 20 s"]
    },
    "both brakes lightly, and nobody slows": {
        "on": {n: [[LET_GO_S, LET_GO_S + 0.8]] for n in ("front_brake", "rear_brake")},
        "pieces": [*HOLD, "100 km/h, gear 5, 30 s"],
    },
    "both brakes lightly, and the bike slows": {
        "on": {n: [[LET_GO_S, LET_GO_S + 0.8]] for n in ("front_brake", "rear_brake")},
    },
    "no cause, all logged": {},
    "no cause, cruise wanted back": again(4.0) | {"drop": ["roll_off"]},
    "no cause, a brake that no signal shows": {
        "pieces": [*HOLD, "unlit brake 4.0 m/s2 to 60, gear 5", "60 km/h, gear 5, 20 s"],
        "off": {"front_brake": [[0.0, 500.0]]},
    },
    "no cause, a brake held since long before": {
        "on": {"rear_brake": [[LET_GO_S + 0.3, LET_GO_S + 1.0]]}
    },
    "the main switch off, the supply watched": {
        "off": {"cruise_armed": [[LET_GO_S, 200.0]]},
        "drop": ["switch_power"],
        "channels": ["supply_voltage"],
    },
    "the main switch's own channel": {
        "on": {"switch_power": [[LET_GO_S, LET_GO_S + 0.3]]},
        "drop": ["cruise_armed"],
    },
    "cancel pressed, cruise wanted back": again(4.0)
    | {"on": again(4.0)["on"] | {"switch_cancel": [[LET_GO_S, LET_GO_S + 0.3]]}},
    "a wheel that spins": {
        "times": {"engine_speed": [[LET_GO_S - 0.3, LET_GO_S + 0.6, 1.2]]},
    },
}


def test_every_row_of_the_table_answers_for_some_ride(monkeypatch):
    reached = set()

    def noted(row):
        def applies(case):
            if found := row.applies(case):
                reached.add(row)
            return found

        return replace(row, applies=applies)

    table = intent.DECISIONS
    monkeypatch.setattr(intent, "DECISIONS", tuple(map(noted, table)))
    for changes in (*(c for c, _, _ in FAULTS.values()), *RIDERS.values(), *ALSO.values()):
        assert cancels.cancels(ride_from(ON | changes))

    assert [row.applies.__name__ for row in table if row not in reached] == []
