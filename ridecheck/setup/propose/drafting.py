"""From names and relations to a draft: which column is which channel, how sure, what to ask."""

from ridecheck.setup.propose.columns import Column
from ridecheck.setup.propose.numbers import gear, other_numbers
from ridecheck.setup.propose.sheet import Sheet
from ridecheck.setup.propose.speeds import other_speeds, speed_and_engine
from ridecheck.setup.propose.switches import switches
from ridecheck.setup.propose.times import TimePlan
from ridecheck.setup.propose.work import Draft, Work, title


def draft_of(sheet: Sheet, time: TimePlan) -> Draft:
    """Map what can be known, ask what cannot."""
    columns = {
        name: Column(name, cells, sheet)
        for name, cells in sheet.cells.items()
        if name not in time.columns
    }
    columns = {n: c for n, c in columns.items() if "position" not in c.about or c.suggested}
    work = Work(columns, time.t_s)
    speed_and_engine(work)
    other_speeds(work)
    gear(work)
    other_numbers(work)
    switches(work)
    _ask_of_names(work)
    taken = {m.column for m in work.mapped.values()} | set(work.asked) | set(time.columns)
    left_out = [f'"{name}"' for name in sheet.cells if name not in taken]
    return Draft(tuple(work.mapped.values()), tuple(work.asked.values()), tuple(left_out))


def _ask_of_names(work: Work) -> None:
    """A column that is named like a channel is never passed over in silence."""
    for column in work.free():
        may_be = [s for s in column.suggested if s not in work.mapped]
        readable = column.numbers is not None or column.switch is not None
        if may_be and readable:
            named = " or ".join(map(title, may_be))
            work.ask(column, f"named like {named}, but its values could not confirm it; is it?")
    for column in work.free():
        about = [concept for concept in _CONTROLS if concept in column.about]
        if about and (column.numbers is not None or column.words):
            cost = _COSTS[about[0]]
            work.ask(column, f"it may be a control ({about[0]}); which? {cost}")


_COSTS = {
    "brake": "Without a brake, nothing is said of cruise under braking.",
    "cruise": "Without cruise, no cruise rule is judged.",
    "armed": "Without the main switch, nothing is said of cruise after it is off.",
    "power": "Without the main switch, nothing is said of cruise after it is off.",
    "clutch": "Without a clutch, nothing is said of cruise after it.",
    "cancel": "Without it, a cancel by its button has no known cause.",
    "set": "Without set and resume, nothing is said of cruise engaging by itself.",
    "resume": "Without set and resume, nothing is said of cruise engaging by itself.",
    "throttle": "Without a throttle, nothing is said of it staying open.",
    "grip": "Without the grip, nothing is said of a throttle that stays open.",
    "stand": "Without it, a cancel by the side stand has no known cause.",
    "coolant": "Without it, the coolant rules are not judged.",
}
_CONTROLS = tuple(_COSTS)
"""What a column's name may be about that is never passed over, with what its absence costs."""
