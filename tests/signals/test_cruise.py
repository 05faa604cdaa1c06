"""Engagements, their phases, and how each one ended."""

import pytest
from rides import ride_from

from ridecheck.core.model import Evidence
from ridecheck.signals import cancels, cruise

HELD = {
    "pieces": [
        "100 km/h, gear 5, 10 s",
        "cruise 100 km/h, gear 5, 60 s",  # to 70 s
        "coast 0.7 m/s2 to 87.4, gear 5",  # to 75 s
        "87.4 km/h, gear 5, 15 s",
    ]
}
WANTED_BACK = {
    "pieces": [
        "100 km/h, gear 5, 10 s",
        "cruise 100 km/h, gear 5, 60 s",
        "99 km/h, gear 5, 6 s",
        "cruise 99 km/h, gear 5, 30 s",
    ]
}


def first_cancel(plan, **changes):
    return cancels.cancels(ride_from(plan | changes))[0]


CAUSES = {
    "front brake, slowing after": (
        {"pieces": [*HELD["pieces"][:2], "brake 2.5 m/s2 to 60, gear 5"]},
        "front_brake",
        True,
    ),
    "rear brake": (
        {"pieces": [*HELD["pieces"][:2], "rear brake 2.5 m/s2 to 60, gear 5"]},
        "rear_brake",
        True,
    ),
    "uncommanded short pulse": ({"on": {"rear_brake": [[70.0, 70.1]]}}, "rear_brake", False),
    "a longer touch that cannot be told": (
        WANTED_BACK | {"on": {"front_brake": [[70.0, 70.4]]}},
        "front_brake",
        None,
    ),
    "lamp line alone": (
        {"drop": ["front_brake", "rear_brake"], "on": {"brake_lamp": [[70.0, 74.0]]}},
        "brake_lamp",
        True,
    ),
    "clutch, engine to idle": (
        {"pieces": [*HELD["pieces"][:2], "clutch 0.7 m/s2 to 87.4, gear 5"]},
        "clutch",
        True,
    ),
    "clutch pulse, ratio locked": ({"on": {"clutch": [[70.0, 70.1]]}}, "clutch", False),
    "roll-off, engine braking after": ({"on": {"roll_off": [[70.0, 70.4]]}}, "roll_off", True),
    "roll-off with the grip open": (
        {"on": {"roll_off": [[70.0, 70.15]]}, "set": {"throttle_grip": [[69.0, 72.0, 20.0]]}},
        "roll_off",
        False,
    ),
    "cancel button": ({"on": {"switch_cancel": [[70.0, 70.3]]}}, "cancel_switch", True),
    "main switch pressed": (
        {"on": {"switch_power": [[70.0, 70.3]]}, "off": {"cruise_armed": [[70.1, 90.0]]}},
        "power_switch",
        True,
    ),
    "main switch lamp gone for half a second, no press": (
        {"off": {"cruise_armed": [[70.1, 70.6]]}, "channels": ["supply_voltage"]},
        "power_switch",
        False,
    ),
    "the same, the supply not logged": (
        {"off": {"cruise_armed": [[70.1, 70.6]]}},
        "unexplained",
        False,
    ),
    "lamp gone as the supply collapses, seen once in a second": (
        {
            "channels": ["supply_voltage"],
            "refresh": {"supply_voltage": 1.0},
            "off": {"cruise_armed": [[70.1, 73.0]]},
            "add": {"supply_voltage": [[69.95, 70.05, -6.0]]},
        },
        "supply",
        False,
    ),
    "the supply collapses, and the speed signal with it": (
        {
            "channels": ["supply_voltage"],
            "add": {"supply_voltage": [[69.9, 70.3, -6.0]]},
            "set": {"wheel_speed": [[69.95, 70.4, 0.0]]},
        },
        "supply",
        False,
    ),
    "the rear wheel spins a little, wheel and engine together": (
        {"times": {n: [[69.6, 70.3, 1.08]] for n in ("wheel_speed", "engine_speed")}},
        "unexplained",
        None,
    ),
    "the rear wheel spins far": (
        {"times": {n: [[69.6, 70.3, 1.2]] for n in ("wheel_speed", "engine_speed")}},
        "speed_jump",
        None,
    ),
    "the speed signal leaps, and shows a speed too far off": (
        {"times": {"wheel_speed": [[69.9, 72.0, 0.7]]}},
        "speed_jump",
        False,
    ),
    "the speed signal goes as a brake is used": (
        {
            "set": {"wheel_speed": [[69.9, 70.6, 0.0]]},
            "on": {"front_brake": [[70.15, 71.5]]},
        },
        "signal_lost",
        False,
    ),
    "lamp gone with a dip of the supply": (
        {
            "channels": ["supply_voltage"],
            "off": {"cruise_armed": [[70.1, 70.6]]},
            "add": {"supply_voltage": [[69.9, 70.3, -3.0]]},
        },
        "supply",
        False,
    ),
    "speed signal lost": ({"set": {"wheel_speed": [[69.9, 70.4, 0.0]]}}, "signal_lost", False),
    "anti-lock brakes at work": (
        {"channels": ["abs_active"], "on": {"abs_active": [[69.9, 70.5]]}},
        "intervention",
        None,
    ),
    "a brake outranks them": (
        {
            "pieces": [*HELD["pieces"][:2], "brake 2.5 m/s2 to 60, gear 5"],
            "channels": ["abs_active"],
            "on": {"abs_active": [[69.9, 70.5]]},
        },
        "front_brake",
        True,
    ),
    "run switch off": (
        {"channels": ["run_switch"], "off": {"run_switch": [[70.0, 75.0]]}},
        "engine_off",
        None,
    ),
    "under the lowest speed": (
        {
            "pieces": [
                "60 km/h, gear 4, 10 s",
                "cruise 60 km/h, gear 4, 40 s",
                "drift 0.3 m/s2 to 45, gear 4",
                "coast 0.5 m/s2 to 40, gear 4",
            ]
        },
        "below_minimum",
        None,
    ),
    "far below the set speed": (
        {
            "pieces": [
                *HELD["pieces"][:2],
                "drift 0.2 m/s2 to 83.6, gear 5",
                "coast 0.5 m/s2 to 78, gear 5",
            ]
        },
        "far_from_set_speed",
        None,
    ),
    "too far off while a brake that ends nothing is held": (
        {
            "pieces": [
                *HELD["pieces"][:2],
                "drift 1.5 m/s2 to 77, gear 5",
                "coast 0.5 m/s2 to 70, gear 5",
            ],
            "on": {"front_brake": [[72.0, 78.0]]},
        },
        "far_from_set_speed",
        None,
    ),
    "too far off, and the clutch pulled with the cancel": (
        {
            "pieces": [
                *HELD["pieces"][:2],
                "drift 1.5 m/s2 to 77, gear 5",
                "coast 0.5 m/s2 to 70, gear 5",
            ],
            "on": {"clutch": [[74.45, 75.0]]},
        },
        "far_from_set_speed",
        None,
    ),
    "the rear wheel spins, traction control not logged": (
        {"times": {"engine_speed": [[69.7, 70.4, 1.15]]}},
        "unexplained",
        None,
    ),
    "a flare of the engine": (
        {"times": {"engine_speed": [[69.7, 75.0, 1.4]]}},
        "engine_flare",
        None,
    ),
    "engaged to the last row": ({"pieces": HELD["pieces"][:2]}, "log_end", None),
    "nothing, everything logged": ({}, "unexplained", False),
    "nothing, roll-off not logged": ({"drop": ["roll_off"]}, "unexplained", None),
    "nothing, too slow to see": ({"rate_hz": 5}, "unexplained", None),
    "nothing, an input blank": ({"blank": {"clutch": [[69, 71]]}}, "unexplained", None),
    "nothing, but wanted back": (WANTED_BACK | {"drop": ["roll_off"]}, "unexplained", False),
}


@pytest.mark.parametrize(("changes", "cause", "commanded"), CAUSES.values(), ids=CAUSES)
def test_each_cancel_has_its_cause_and_whether_it_was_asked_for(changes, cause, commanded):
    cancel = first_cancel(HELD, **changes)

    assert (cancel.cause, cancel.commanded) == (cause, commanded), cancel.evidence


def test_a_cancel_carries_its_place_in_the_log_and_its_evidence():
    cancel = first_cancel(HELD, on={"rear_brake": [[70.0, 70.1]]})

    assert cancel.t_s == pytest.approx(70.15)
    assert cancel.file_time == "70.150"
    assert cancel.row == 1405
    assert cancel.speed_kmh == pytest.approx(100.0, abs=0.5)
    assert cancel.gear == 5
    assert cancel.pulse_s == pytest.approx(0.1)
    assert cancel.resolution_s == pytest.approx(0.05)
    assert cancel.evidence[0] == Evidence(
        "control_on", {"channel": "rear_brake", "lead_s": 0.15, "length_s": 0.1}
    )


def test_no_logged_cause_lists_what_was_not_logged():
    cancel = first_cancel(HELD, drop=["roll_off", "clutch"])

    assert {"roll_off", "clutch"} <= set(cancel.not_logged)
    assert "front_brake" not in cancel.not_logged


def test_the_riders_vote_is_a_new_engagement_without_slowing():
    slowed = [*HELD["pieces"][:2], "coast 1 m/s2 to 85, gear 5", "cruise 85 km/h, gear 5, 30 s"]

    assert first_cancel(WANTED_BACK).wanted_back
    assert not first_cancel({"pieces": slowed}).wanted_back


def test_an_edge_hidden_by_a_gap_is_neither_cancel_nor_engagement():
    lost = ride_from(HELD | {"gaps": [[68, 72]]})
    begun = ride_from(HELD | {"gaps": [[8, 12]]})

    assert cancels.cancels(lost) == ()
    assert [e.sharp_start for e in cruise.engagements(begun)] == [False]
    assert cruise.totals(begun).engagements == 0


def test_a_flag_that_flickers_for_a_row_is_one_engagement():
    ride = ride_from(HELD | {"off": {"cruise_engaged": [[30, 30.1], [50, 50.05]]}})

    assert len(cruise.engagements(ride)) == 1
    assert len(cancels.cancels(ride)) == 1


def test_a_gap_of_the_flag_in_which_the_panel_chatters_is_a_cancel():
    gap = {"off": {"cruise_engaged": [[40.0, 40.2]]}}
    wet = {"on": {"switch_resume": [[39.8, 39.9], [40.1, 40.15]]}}

    assert len(cruise.engagements(ride_from(HELD | gap))) == 1
    assert len(cruise.engagements(ride_from(HELD | gap | wet))) == 2


def test_what_ended_before_cruise_engaged_did_not_end_it():
    plan = {
        "pieces": [
            "90 km/h, gear 5, 20 s",
            "cruise 90 km/h, gear 5, 0.6 s",
            "coast 0.5 m/s2 to 80, gear 5",
        ],
        "on": {"clutch": [[19.0, 19.8]]},
    }

    assert first_cancel(plan).cause == "unexplained"


def test_hold_is_what_is_left_when_settling_and_the_riders_hand_are_taken_out():
    plan = HELD | {
        "set": {"throttle_grip": [[40, 45, 30.0]]},
        "on": {"switch_set": [[54, 57]], "switch_resume": [[60, 61]]},
    }

    kinds = [
        (p.kind, round(p.span.start_s), round(p.span.end_s)) for p in cruise.phases(ride_from(plan))
    ]

    assert kinds == [
        ("settling", 10, 20),
        ("hold", 20, 40),
        ("override", 40, 45),
        ("settling", 45, 54),
        ("coast", 54, 57),
        ("settling", 57, 60),
        ("accelerate", 60, 61),
        ("settling", 61, 70),
    ]


def test_totals_are_the_area_under_the_speed():
    totals = cruise.totals(ride_from(HELD))

    assert totals.engagements == 1
    assert totals.engaged_s == pytest.approx(60.15, abs=0.1)
    assert totals.engaged_km == pytest.approx(100 * 60.15 / 3600, rel=0.01)
    assert totals.distance_km == pytest.approx((85 * 94.3 + 5 * 93.7) / 3600 * 1.0, rel=0.05)
