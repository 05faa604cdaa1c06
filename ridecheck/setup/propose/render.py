"""A draft layout as commented TOML."""

import json
import re
from pathlib import PurePosixPath

from ridecheck.core.catalog import channels
from ridecheck.setup.propose.sheet import Sheet
from ridecheck.setup.propose.times import TimePlan
from ridecheck.setup.propose.work import Draft, Mapped

_DATE_AND_TIME = re.compile(
    r"(?<!\d)(20\d\d-\d\d-\d\d|20\d{6})([_T -]{0,2})(\d\d-\d\d-\d\d|\d{6})(?!\d)"
)


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
    lines += [*_file(sheet, time, name), "", *_time(time)]
    order = {channel: i for i, channel in enumerate(channels())}
    for entry in sorted(draft.mapped, key=lambda m: order[m.channel]):
        lines += ["", *_column(entry)]
    if draft.left_out:
        lines += ["", "# Columns that are mapped onto nothing, and so are not kept:"]
        lines += [f"#   {_comment(entry)}" for entry in draft.left_out]
    return "\n".join(lines) + "\n"


def _file(sheet: Sheet, time: TimePlan, name: str) -> list[str]:
    lines = ["[file]", f"kind = {_text(sheet.kind)}"]
    if sheet.kind == "csv":
        lines += [f"separator = {_text(sheet.separator)}", f"decimal = {_text(sheet.decimal)}"]
        if sheet.thousands:
            lines.append(f"thousands = {_text(sheet.thousands)}")
        if sheet.encoding != "utf-8":
            lines.append(f"encoding = {_text(sheet.encoding)}")
        if sheet.units_row:
            lines.append("units_row = true")
    if all(sheet.long_columns):
        named, valued = map(_text, sheet.long_columns)
        lines += ['shape = "long"', f"name_column = {named}", f"value_column = {valued}"]
    if time.kind == "elapsed" and not sheet.starts:
        lines += _start(name)
    if time.kind in {"local", "time_of_day"}:
        lines.append('# time_zone = "Europe/Berlin"   # the stamps have no zone: taken as UTC')
    return lines


def _start(name: str) -> list[str]:
    """Where elapsed time is counted from: a date and a time in the file's name, if there."""
    base = PurePosixPath(name.rpartition("!")[2]).name
    found = _DATE_AND_TIME.search(base)
    if found is None:
        return ["# No start was found: a date in the file's name dates the day, else undated."]
    date = r"\d{4}-\d\d-\d\d" if "-" in found.group(1) else r"\d{8}"
    clock = r"\d\d-\d\d-\d\d" if "-" in found.group(3) else r"\d{6}"
    between = re.escape(found.group(2))
    pattern = f"(?P<date>{date}){between}(?P<time>{clock})"
    return [f"start_pattern = {_text(pattern)}   # as in {_comment(found.group(0))}"]


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
