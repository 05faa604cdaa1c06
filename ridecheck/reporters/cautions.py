"""The cautions that go with every report: the one place that holds their words."""

CAUTIONS: tuple[str, ...] = (
    "This report judges logged signals only. It never saw the bike. The service manual, local "
    "law, the walk-round and the judgement of licensed practice come first.",
    "Before every hire, engine off: each brake control alone must light the brake lamp, and the "
    "throttle must snap shut at both bar locks.",
    "Never ride with a brake, clutch or throttle-closed switch bypassed, bridged, taped or "
    "unplugged. They are what makes cruise disengage.",
    "Keep in means not ridden at all, not even to the workshop.",
    "Run an engine only outdoors or with exhaust extraction: carbon monoxide gives no warning.",
    "Mind hot parts, turning wheels and chains. Use the right stand, chock the wheel, and have a "
    "second person with a heavy bike.",
    "Road tests are for authorised, licensed, insured riders on a dry, quiet, straight road. If "
    "cruise does not disengage: both brakes, clutch in, run switch off.",
)
"""Sentences in the order they are shown; the same in text, pages and JSON."""
