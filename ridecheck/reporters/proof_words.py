"""What riding since a repair shows, in sentences."""

from datetime import datetime
from zoneinfo import ZoneInfo

from ridecheck.core.model import BeforeAfter, BikeReport, MetAgain, Repair
from ridecheck.core.sequential import single_look

WHAT = {
    "uncommanded_cancels": ("uncommanded cancel", " with cruise held"),
    "short_pulses": ("burst of short pulses", ""),
    "signal_dropouts": ("signal dropout", ""),
}


def first_sentence(repair: Repair) -> str:
    """What an owner wants to know, in one breath; then what it is worth."""
    count = deciding(repair)
    if repair.outcome == "danger":
        names = " and ".join(r.split("/")[-1].replace("-", " ") for r in repair.dangers)
        return (
            f"A danger is open ({names}): no number of kilometres closes it. It takes the "
            "standing checks, a sign-off, and the proof of each cancel path before the next hire."
        )
    if count is None:
        return (
            "Nothing was seen before this repair that riding could show to be gone "
            f"({km(repair.engaged_km_before)} km with cruise held before, "
            f"{km(repair.engaged_km_after)} km since)."
        )
    return f"{_before(count)}, {_after(count)}. {_worth(repair, count)}"


def deciding(repair: Repair) -> BeforeAfter | None:
    """The count that the outcome rests on."""
    return next((c for c in repair.counts if c.what == repair.decides), None)


def _before(count: BeforeAfter) -> str:
    noun, how = WHAT[count.what]
    words = counted(count.bursts_before, noun)
    if count.events_before > count.bursts_before and count.what != "short_pulses":
        words = f"{counted(count.events_before, noun)} in {counted(count.bursts_before, 'burst')}"
    return f"{words} in {km(count.km_before)} km{how} before"


def _after(count: BeforeAfter) -> str:
    number = str(count.bursts_after) if count.bursts_after else "none"
    if not count.km_after:
        return "no such riding since"
    return f"{number} in {km(count.km_after)} km since"


def _worth(repair: Repair, count: BeforeAfter) -> str:
    if repair.outcome == "fixed":
        return f"It has stopped, as far as riding can show. {_odds(count)}"
    if repair.outcome == "less":
        return "It has become less, but it is not gone."
    if repair.outcome == "again":
        return "It came back: the cause is still there, or there is another."
    if repair.outcome == "too_few":
        return (
            f"One {'cancel' if count.what == 'uncommanded_cancels' else 'event'} before the repair "
            "can hardly ever be proven fixed by riding; rely on the checks."
        )
    return _odds(count) if count.km_after else ""


def _odds(count: BeforeAfter) -> str:
    chance = single_look((count.bursts_before, count.km_before), count.km_after)
    if chance > 0.5:
        return "So short a clean stretch shows nothing yet."
    times = 1.0 / chance
    often = f"1 time in {times:.0f}" if times < 1000.0 else "less than 1 time in 1,000"
    return f"If nothing had changed, so clean a stretch would come about {often}."


def more_sentence(repair: Repair) -> str:
    """How many clean kilometres would settle it; "" where that is no question."""
    count = deciding(repair)
    if repair.outcome != "clean_so_far" or count is None or not count.more_km:
        return ""
    how = WHAT[count.what][1]
    return f"About {km(count.more_km)} km more{how}, without one, would settle it."


def met_sentence(repair: Repair) -> str:
    """Whether it was ridden again where it came before; "" where nothing is known of that."""
    met = [_met(m) for m in repair.met_again]
    return f"Met again: {', '.join(met)}." if met else ""


def _met(met: MetAgain) -> str:
    if met.hours_since is None:
        return f"{met.occasion} not logged since"
    if met.hours_since <= 0.0:
        return f"{met.occasion} no"
    return f"{met.occasion} yes ({max(1, round(60 * met.hours_since))} min)"


def board_phrase(bike: BikeReport) -> str:
    """The newest repair in a few words for the board; "" where there is none to speak of."""
    if not bike.repairs:
        return ""
    repair = bike.repairs[-1]
    count = deciding(repair)
    if repair.outcome == "clean_so_far" and count is not None and count.more_km:
        total = count.km_after + count.more_km
        return f"repaired, {km(count.km_after)} km of about {km(total)} km clean"
    return {
        "fixed": "repaired, not seen since",
        "again": "repaired, seen again",
        "less": "repaired, seen less often",
        "too_few": "repaired, too seldom before to prove by riding",
    }.get(repair.outcome, "")


# ------------------------------------------------------------------ figures


def counted(number: int, noun: str) -> str:
    """A number and its noun."""
    if number == 1:
        return f"1 {noun}"
    plural = noun.replace("burst of", "bursts of") if " of " in noun else f"{noun}s"
    return f"{number} {plural}"


def km(value: float) -> str:
    """Kilometres, to the whole from ten on."""
    return f"{value:.0f}" if value >= 10.0 else f"{value:.1f}"


def hours(value_h: float) -> str:
    """Hours as a person says them."""
    minutes = round(60.0 * value_h)
    return f"{minutes} min" if minutes < 100 else f"{value_h:.1f} h"


def figure(value: float) -> str:
    """Evidence, to one place."""
    return f"{value:.1f}" if value < 1000.0 else "over 1,000"


def when(instant: datetime, day_alone: bool, zone: str) -> str:
    """An instant in the fleet's time; the day alone where that is all that is known."""
    local = instant.astimezone(ZoneInfo(zone))
    return f"{local:%Y-%m-%d}" if day_alone else f"{local:%Y-%m-%d %H:%M}"
