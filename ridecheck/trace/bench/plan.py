"""The sequence to work through with the logger running: in which order, how often, what must show.

Engine off, key on, unless a step says otherwise. A control that the model has not, and one
whose channel no layout maps, is left out of the log's part and said so by the reading.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace

from ridecheck.core.model import Settings
from ridecheck.trace.bench.records import Step

TIMES = 3
"""Three uses show whether it is a habit, and take seconds (common practice)."""

STEPS: tuple[Step, ...] = (
    Step("rest", "At rest", "Key on, engine off. Touch nothing for ten seconds.",
         "every control reads off, the brake lamp is dark", 1, 0.5),
    Step("front_brake", "Front brake", "Pull the lever slowly to the lamp, hold a second, release. "
         "Nothing else.", "on at each pull, the lamp with it, off at once", TIMES, 0.5,
         "lamp-by-each-control", ("front_brake", "front_brake_pressure", "brake_lamp")),
    Step("rear_brake", "Rear brake", "Press the pedal slowly to the lamp, hold a second, release. "
         "Nothing else.", "on at each press, the lamp with it, off at once", TIMES, 0.5,
         "lamp-by-each-control", ("rear_brake", "rear_brake_pressure", "brake_lamp")),
    Step("clutch", "Clutch", "Pull the lever to the grip, hold a second, release.",
         "on at each pull, off when the lever is home", TIMES, 0.5,
         "clutch-switch-continuity", ("clutch",)),
    Step("throttle", "Throttle", "Open the grip fully and let it snap shut: bars straight, at the "
         "left lock, at the right lock.", "shut by itself each time, the same reading at rest",
         3, 1.0, "throttle-snaps-shut", ("throttle_grip", "throttle")),
    Step("roll_off", "Throttle-closed switch", "Turn the grip past closed against its spring, hold "
         "a second, release it.", "on past closed only, off with the grip at rest", TIMES, 0.5,
         "roll-off-click", ("roll_off",)),
    Step("switch_power", "Main switch", "Press it, or switch it on and off.",
         "one clean press each time", TIMES, 0.5, "main-switch-ten-times",
         ("switch_power", "cruise_armed")),
    Step("switch_set", "Set button", "Press for half a second, release.",
         "one clean press each time, no other button", TIMES, 0.5, "button-feel", ("switch_set",)),
    Step("switch_resume", "Resume button", "Press for half a second, release.",
         "one clean press each time, no other button", TIMES, 0.5, "button-feel",
         ("switch_resume",)),
    Step("switch_cancel", "Cancel button", "Press for half a second, release.",
         "one clean press each time, no other button", TIMES, 0.5, "button-feel",
         ("switch_cancel",)),
    Step("run_switch", "Run switch", "Off and on again.", "follows the switch", 2, 0.3, "",
         ("run_switch",)),
    Step("side_stand", "Side stand", "Bike held by a second person or on its centre stand: stand "
         "up, then down.", "follows the stand", 2, 0.5, "", ("side_stand",)),
    Step("neutral_switch", "Neutral", "Engine off: into first and back to neutral, rocking the "
         "bike gently.", "on in neutral only", 2, 0.5, "", ("neutral_switch", "gear")),
    Step("lock-to-lock", "Lock-to-lock test", "Hands on the bar ends only: turn the bars slowly "
         "from lock to lock, three times. Keep clear of cables and fork stops.",
         "nothing changes anywhere", 3, 0.5, "steering-sweep"),
    Step("wiggle", "Connector wiggle test", "Move each connector and wire of the part in question "
         "gently, one after another, and touch no control.", "nothing changes anywhere", 1, 2.0,
         "plug-wiggle"),
    Step("wheel_speed", "Wheel by hand", "On its stand, the other wheel chocked: turn the sensed "
         "wheel by hand through two turns. Hands clear of chain, spokes and disc.",
         "a speed shows within about two metres", 1, 1.0, "wheel-turned-by-hand",
         ("wheel_speed", "front_wheel_speed")),
)  # fmt: skip
"""Everything a bike may have, in the order of least effort."""

OF_PART = {
    "front_brake_switch": ("front_brake", "lock-to-lock", "wiggle"),
    "rear_brake_switch": ("rear_brake", "wiggle"),
    "clutch_switch": ("clutch", "lock-to-lock", "wiggle"),
    "roll_off_switch": ("roll_off", "throttle", "lock-to-lock"),
    "panel_switches": ("switch_power", "switch_set", "switch_resume", "switch_cancel",
                       "lock-to-lock", "wiggle"),
    "speed_sensor": ("wheel_speed", "wiggle"),
    "gear_sensor": ("neutral_switch", "wiggle"),
    "supply": ("lock-to-lock", "wiggle"),
    "control_unit": ("wiggle",),
    "actuator": ("throttle",),
}  # fmt: skip
"""Which steps look at a part, the telling one first."""
ALWAYS = frozenset({"rest", "front_brake", "rear_brake", "throttle", "lock-to-lock"})
"""Steps every bike gets, whatever its model says."""


def plan(settings: Settings, suspects: Sequence[str] = ()) -> tuple[Step, ...]:
    """The steps for a bike of this model, those of its suspects first, likeliest first."""
    has = _controls(settings)
    steps = {s.id: s for s in STEPS if s.id in has}
    if suspects:
        steps["wiggle"] = next(s for s in STEPS if s.id == "wiggle")
    first = dict.fromkeys(s for part in suspects for s in OF_PART.get(part, ()) if s in steps)
    rest = [steps["rest"]]
    of = {s: part for part in reversed(suspects) for s in OF_PART.get(part, ())}
    ordered = [*first, *(s for s in steps if s not in first and s != "rest")]
    return (*rest, *(_for_suspect(steps[s], of.get(s, "")) for s in ordered))


def _for_suspect(step: Step, part: str) -> Step:
    return replace(step, suspect=part) if part else step


def _controls(settings: Settings) -> Collection[str]:
    """Steps whose control this model has."""
    cruise = settings.cruise
    panel = {f"switch_{name}" for name in cruise.panel}
    fixed = {"run_switch", "side_stand", "neutral_switch", "wheel_speed"}
    if cruise.fitted is False:
        return ALWAYS | fixed | {"clutch"}
    return ALWAYS | fixed | {"clutch"} | set(cruise.must_cancel) | panel
