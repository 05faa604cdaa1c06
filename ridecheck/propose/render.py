"""A draft layout as commented TOML."""

import json

from ridecheck.catalog import channels
from ridecheck.propose.sheet import Sheet
from ridecheck.propose.times import TimePlan
from ridecheck.propose.work import Draft, Mapped


def layout_toml(sheet: Sheet, time: TimePlan, draft: Draft, *, name: str) -> str:
    """The draft as a layout file: what is known as keys, what is not as comments."""
    lines = [
        f"# A draft layout, made from {_comment(name)}.",
        "# Read it through: how sure each line is stands beside it.",
        "",
    ]
    questions = (*sheet.questions, *time.questions, *draft.questions)
    if questions:
        lines.append("# To be answered before the logs of this set-up are judged:")
        lines += [f"#   {_comment(q)}" for q in questions]
        lines.append("")
    lines += [*_file(sheet, time), "", *_time(time)]
    order = {channel: i for i, channel in enumerate(channels())}
    for entry in sorted(draft.mapped, key=lambda m: order[m.channel]):
        lines += ["", *_column(entry)]
    if draft.left_out:
        lines += ["", "# Columns that are mapped onto nothing, and so are not kept:"]
        lines += [f"#   {_comment(entry)}" for entry in draft.left_out]
    return "\n".join(lines) + "\n"


def _file(sheet: Sheet, time: TimePlan) -> list[str]:
    lines = ["[file]", f"kind = {_text(sheet.kind)}"]
    if sheet.kind == "csv":
        lines += [f"separator = {_text(sheet.separator)}", f"decimal = {_text(sheet.decimal)}"]
        if sheet.thousands:
            lines.append(f"thousands = {_text(sheet.thousands)}")
        if sheet.encoding != "utf-8":
            lines.append(f"encoding = {_text(sheet.encoding)}")
        if sheet.units_row:
            lines.append("units_row = true")
    if time.kind in {"local", "time_of_day"}:
        lines.append('# time_zone = "Europe/Berlin"   # the stamps have no zone: taken as UTC')
    return lines


def _time(time: TimePlan) -> list[str]:
    names = [_text(n) for n in time.columns]
    column = names[0] if len(names) == 1 else f"[{', '.join(names)}]"
    lines = ["[columns.time]", f"column = {column}"]
    if time.format is not None:
        lines.append(f"format = {_text(time.format)}")
    lines += [f"# {_comment(r)}" for r in time.remarks]
    return lines


def _column(entry: Mapped) -> list[str]:
    lines = [f"[columns.{entry.channel}]   # {entry.sure:.0%} sure: {_comment(entry.why)}"]
    lines.append(f"column = {_text(entry.column)}")
    for key, value in entry.keys.items():
        lines.append(f"{key} = {_value(value)}")
    return lines


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "[" + ", ".join(_text(str(v)) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_text(str(k))} = {v}" for k, v in value.items()) + " }"
    return _text(value) if isinstance(value, str) else repr(value)


def _text(text: str) -> str:
    """A TOML basic string: JSON's escapes are among TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    """One line without control characters."""
    return "".join(c if c.isprintable() else " " for c in text)
