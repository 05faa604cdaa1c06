"""What was seen at a cancel, in words: the one place that has a sentence for each kind."""

from collections.abc import Iterable, Mapping

from ridecheck.core.model import Evidence
from ridecheck.reporters import display_units
from ridecheck.signals.cancels.latency import USUAL, Latency

SENTENCES = {
    # what changed near the end of an engagement
    "control_on": "{control} on {length}, {lead}",
    "control_bursts": "{control} on {length}, {lead}, one of a burst: the pulse that ended cruise "
    "fell between two rows",
    "main_lamp_off": "main switch lamp off {lead}",
    "main_switch_on": "main switch worked {lead}",
    "supply_fell": "supply fell by {by_v:.1f} V to {to_v:.1f} V",
    "intervention": "{control} at work {lead}",
    "at_minimum": "{speed_kmh:.0f} km/h, at or under the lowest speed of {limit_kmh:.0f} km/h",
    "at_maximum": "{speed_kmh:.0f} km/h, at or over the highest speed of {limit_kmh:.0f} km/h",
    "below_set_speed": "{speed_kmh:.0f} km/h, {below_kmh:.0f} km/h below the set speed",
    "own_throttle": "the rider's own throttle for {length_s:.0f} s before",
    "wheel_speed_lost": "wheel speed fell from {from_kmh:.0f} to {to_kmh:.0f} km/h at once",
    "wheel_speed_changed": "wheel speed changed by {rate_ms2:.1f} m/s2",
    "wheel_speed_changed_spun": "wheel speed changed by {rate_ms2:.1f} m/s2, and engine speed with "
    "it: the rear wheel spun",
    "wheel_speed_leapt": "wheel speed leapt by {by_kmh:.0f} km/h between two readings",
    "wheel_speed_leapt_spun": "wheel speed leapt by {by_kmh:.0f} km/h between two readings, and "
    "engine speed with it: the rear wheel spun",
    "run_switch_off": "run switch off",
    "engine_stopped": "engine speed fell to {to_rpm:.0f} rpm",
    "engine_speed_back": "engine speed came back from {from_rpm:.0f} to {to_rpm:.0f} rpm at once",
    "engine_speed_lost": "engine speed fell to {to_rpm:.0f} rpm at {speed_kmh:.0f} km/h in gear",
    "gear_changed": "gear went from {from_gear:.0f} to {to_gear:.0f}",
    "engine_rose": "engine speed rose {percent:.0f} % against wheel speed",
    "engine_rose_spun": "engine speed rose {percent:.0f} % against wheel speed, as it does when "
    "the rear wheel spins or the clutch slips",
    "no_logged_cause": "no logged cause within {within_s:.1f} s before the cancel",
    "log_end": "the log ends with cruise engaged",
    # a contact that looks at fault
    "too_quick": "on for less than {limit_s:.1f} s: no hand presses and releases so fast",
    "stuck_on_locked": "on for {length_s:.0f} s at {speed_kmh:.0f} km/h, engine and wheel locked "
    "as before: stuck on",
    "stuck_on_driven": "on for {length_s:.0f} s at {speed_kmh:.0f} km/h, driven on for "
    "{driven_s:.0f} s of it (throttle open, speed held or rising): stuck on",
    "grip_open": "the grip is {grip_percent:.0f} % open while the throttle-closed switch says it "
    "is closed",
    "on_elsewhere": "the throttle-closed switch shows on {times_more} in this ride, with the "
    "throttle open",
    "in_vain_elsewhere": "the throttle-closed switch shows on {times_more} in this ride, cruise "
    "being engaged again within {within_s:.0f} s, before the bike had slowed",
    "bounces": "bounces: {pulses:.0f} pulses within {within_s:.2f} s, with no effect",
    "repeated": "one of {count:.0f} pulses of up to {longest_s:.2f} s in this ride with no effect, "
    "{off:.0f} of them with cruise off",
    "engaged_again": "it had no effect, and cruise was engaged again {after_s:.1f} s after it "
    "with no brake used",
    "too_short": "too short for most hands, with no effect",
    "too_short_for_a_foot": "on too short for a foot",
    "lamp_back": "the lamp was back after {after_s:.2f} s: no hand is so fast",
    "lamp_without_press": "the lamp went off and the main switch, which is logged, was not pressed",
    "supply_or_contact": "its contact, or a dip of the supply, which is not logged at 5 Hz or "
    "faster: which of the two is "
    "undetermined",
    "buttons_together": "the {buttons} button went on with it: one hand presses one button",
    "panel_chattered": "set and resume went on at once, or twice, at the cancel: no hand presses "
    "so",
    # a reading that no bike makes
    "gear_flickered": "the gear was shown for {length_s:.2f} s, engine and wheel locked as before",
    "wheel_jumped": "wheel speed went from {from_kmh:.0f} to {to_kmh:.0f} km/h between two rows, "
    "engine speed in gear by {engine_percent:+.0f} %",
    "engine_was_gone": "engine speed went from {from_rpm:.0f} to {to_rpm:.0f} rpm between two rows "
    "at {speed_kmh:.0f} km/h in gear",
    "engine_spiked": "engine speed went from {from_rpm:.0f} to {to_rpm:.0f} rpm and back within "
    "{within_s:.2f} s, engine and wheel locked as before",
    "clutch_at_rest": "the clutch was not pulled, and its switch shows other pulls: it slips, or "
    "the wheel spun",
    "no_bike_does": "no wheel or engine changes its speed so fast: a wrong reading",
    # what else acted, and what followed
    "braked_unseen": "the bike slowed at once as under a brake that no signal shows",
    "parted": "engine and wheel were not turning as one: a wheel spun, or the clutch slipped",
    "engine_first": "the engine stopped pulling before the throttle moved: fuel, spark or run "
    "switch",
    "at_the_wrong_time": "ruled out by its timing: {usual}",
    "all_logged": "every input that can end cruise is logged at 10 Hz or faster",
    "speed_after": "speed {changed} km/h in the {within_s:.0f} s after",
    "wanted_back": "cruise was re-engaged within {within_s:.0f} s without slowing",
    # what the trace adds: a hand or a fault
    "short_pulses": "{count:.0f} short pulses on the {control} in this ride with no effect, "
    "{off:.0f} of them with cruise off",
    "only_short_pulse": "the only short pulse with no effect on the {control} in this ride",
    "stayed_on": "{control} stayed on for {length_s:.0f} s, at {speed_kmh:.0f} km/h: a switch that "
    "sticks or a control that drags looks so",
    "ratio_parted": "engine and wheel parted (ratio within {percent:.0f} %)",
    "ratio_held": "engine and wheel did not part (ratio within {percent:.0f} %)",
    "switched_together": "{count:.0f} unrelated switches changed in one row ({names}): check "
    "supply, ground and logger before any of them",
}
"""By kind; what stands in braces is a figure of the evidence, or one of ``_phrases``."""

CONTROLS = {
    "brake_lamp": "brake lamp line",
    "roll_off": "throttle-closed switch",
    "switch_cancel": "cancel button",
    "side_stand": "side stand switch",
    "cruise_armed": "main switch lamp",
    "abs_active": "ABS",
    "traction_active": "traction control",
}


def sentence(evidence: Evidence, units: str = "metric") -> str:
    """One piece of evidence, with speeds as the fleet reads them.

    >>> sentence(Evidence("control_on", {"channel": "clutch", "length_s": 0.5, "lead_s": 0.2}))
    'clutch on for 0.50 s, from 0.20 s before the cancel'
    """
    said = SENTENCES[evidence.kind].format(**evidence.figures, **_phrases(evidence.figures))
    return display_units.sentence(said, units)


def sentences(found: Iterable[Evidence], units: str = "metric") -> list[str]:
    """Several, in order."""
    return [sentence(one, units) for one in found]


def takes(latency: Latency) -> str:
    """How long cruise takes to disengage, as a sentence; "" where the ride does not show it."""
    if not latency.cancels:
        return ""
    said = _usual(latency.span.start_s, latency.span.end_s, latency.cancels)
    return f"{said[0].upper()}{said[1:]}."


def _usual(least_s: float, most_s: float, cancels: float) -> str:
    if not cancels:
        return f"units disengage within {USUAL.end_s:.2f} s of an input"
    apart = f"{least_s:.2f} to {most_s:.2f} s" if most_s - least_s > 5e-3 else f"{most_s:.2f} s"
    return f"in this ride cruise disengages {apart} after an input ({cancels:.0f} cancels)"


def _phrases(figures: Mapping[str, float | str]) -> dict[str, str]:
    """Phrases made of the figures that are there."""
    said: dict[str, str] = {}
    known = {name: value for name, value in figures.items() if isinstance(value, float)}
    if "channel" in figures:
        channel = str(figures["channel"])
        said["control"] = CONTROLS.get(channel, channel.replace("_", " "))
    if "lead_s" in known:
        said["lead"] = _lead(known["lead_s"])
        on = f"for {known['length_s']:.2f} s" if "length_s" in known else ""
        said["length"] = on or "to the end of what is logged"
    if "times" in known:
        times = f"{known['times']:.0f}"
        said["times_more"] = "once more" if times == "1" else f"{times} more times"
    if "by_kmh" in known:
        way = "fell" if known["by_kmh"] < 0 else "rose"
        said["changed"] = f"{way} by {abs(known['by_kmh']):.1f}"
    if "cancels" in known:
        said["usual"] = _usual(known["least_s"], known["most_s"], known["cancels"])
    return said


def _lead(lead_s: float) -> str:
    if abs(lead_s) < 5e-3:
        return "from the row of the cancel"
    return f"from {abs(lead_s):.2f} s {'before' if lead_s > 0 else 'after'} the cancel"
