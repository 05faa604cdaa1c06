"""Read one TOML file against one pydantic model; every mistake comes back with its line."""

import ast
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from ridecheck.core.names import nearest_name
from ridecheck.core.strict_toml import one_of
from ridecheck.fleet import locate
from ridecheck.fleet.mistakes import Mistake, as_toml, quoted

FileT = TypeVar("FileT", bound=BaseModel)

_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")
_AT_END = "(at end of document)"
_ABSENT = object()

_TYPES = {
    "string": "a text in quotes",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "tuple": "a list in square brackets",
    "dict": "a table",
    "model": "a table",
    "model_attributes": "a table",
    "finite_number": "a number that is finite",
}
_BOUNDS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}


@dataclass(frozen=True)
class Source:
    """A TOML file that could be parsed. file: its name as mistakes show it."""

    file: str
    text: str
    data: Mapping[str, Any]

    @cached_property
    def lines(self) -> Mapping[locate.Path, int]:
        """Line of every key, worked out only when something is wrong."""
        return locate.key_lines(self.text)

    def mistake(
        self, path: Sequence[str | int], what: str, *, allowed: str = "", nearest: str = ""
    ) -> Mistake:
        """A mistake at a key path, with the value that stands there."""
        while path and isinstance(path[-1], int) and not isinstance(self._at(path[:-1]), list):
            path = path[:-1]  # one value stands where a list may: it has no places
        return Mistake(
            self.file,
            locate.line_of(self.lines, path),
            dotted(path),
            "" if (value := self._at(path)) is _ABSENT else as_toml(value),
            what,
            allowed,
            nearest,
        )

    def _at(self, path: Sequence[str | int]) -> object:
        value: Any = self.data
        for step in path:
            try:
                value = value[step]
            except (KeyError, IndexError, TypeError):
                return _ABSENT
        return value


def read_source(path: Path, file: str) -> Source | Mistake:
    """Read and parse a TOML file: UTF-8, a byte order mark is no mistake."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        return Mistake(file, 1, "", "", f"cannot be read: {reason}", "give it reading rights")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        bad = f"0x{raw[error.start]:02x}"
        return Mistake(file, line, "", bad, "not UTF-8 text", "save the file as UTF-8")
    text = text.replace("\r\n", "\n")
    try:
        return Source(file, text, tomllib.loads(text))
    except (ValueError, RecursionError) as error:  # the first also for overlong numbers
        return _broken(file, text, str(error))


def validated(source: Source, kind: type[FileT]) -> tuple[FileT | None, tuple[Mistake, ...]]:
    """The file as a table of this kind, or None and everything that is wrong with it."""
    try:
        return kind.model_validate(source.data), ()
    except ValidationError as error:
        details = error.errors(include_url=False)
        return None, tuple(_mistake(source, kind, d) for d in details)


def dotted(path: Sequence[str | int]) -> str:
    """A key path as people write it: ``events[2].kind``, ``thresholds."a/b".c``."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
            continue
        bare = re.fullmatch(r"[A-Za-z0-9_-]+", step)
        text += ("." if text else "") + (step if bare else quoted(step))
    return text


def _broken(file: str, text: str, message: str) -> Mistake:
    """A file that is not TOML at all, with the line the parser stopped at."""
    lines = text.split("\n")
    found = _AT_LINE.search(message)
    at_end = len(lines) if _AT_END in message else 1
    number = int(found[1]) if found else at_end
    what = _AT_LINE.sub("", message).replace(_AT_END, "at the end of the file").strip()
    shown = lines[number - 1].strip() if found else ""
    hint = "one key = value a line, text in quotes, tables in [brackets]"
    if re.search(r"thresholds\.[\w-]+/", shown):
        hint = 'a rule id in a table name stands in quotes: [thresholds."family/rule"]'
    return Mistake(
        file, number, "", as_toml(shown) if shown else "", f"not valid TOML: {what}", hint
    )


def _mistake(source: Source, kind: type[BaseModel], error: ErrorDetails) -> Mistake:
    """One of pydantic's errors in the words of this program."""
    path = error["loc"]
    name = error["type"]
    context = error.get("ctx", {})
    if name == "mistake":
        return source.mistake(
            (*path, *context["at"]),
            context["what"],
            allowed=context["allowed"],
            nearest=context["nearest"],
        )
    if name == "missing":
        return source.mistake(path, "this key is required")
    if name == "extra_forbidden":
        known = _keys_at(kind, path[:-1])
        near = nearest_name(path[-1], known)
        what = "no such channel" if path[:-1] == ("columns",) else "no such key"
        return source.mistake(path, what, allowed=one_of(known), nearest=near)
    if name == "literal_error":
        words = _words_in(context["expected"])
        near = nearest_name(error["input"], words)
        allowed = one_of(as_toml(w) for w in words)
        return source.mistake(path, "not a word allowed here", allowed=allowed, nearest=near)
    if name in _BOUNDS:
        bound, words_for_it = _BOUNDS[name]
        return source.mistake(path, "out of range", allowed=f"{words_for_it} {context[bound]:g}")
    if wanted := _TYPES.get(name.removesuffix("_type")):
        return source.mistake(path, "of the wrong type", allowed=wanted)
    return source.mistake(path, error["msg"][:1].lower() + error["msg"][1:])


def _words_in(expected: str) -> list[str]:
    """The words of ``'csv' or 'parquet'``, as pydantic lists them."""
    literals = re.findall(r"""'(?:\\.|[^'\\])*'|"(?:\\.|[^"\\])*\"""", expected)
    return [str(ast.literal_eval(word)) for word in literals]


def _keys_at(kind: type[BaseModel], path: Sequence[str | int]) -> list[str]:
    """The keys a table may have, found by walking from the top table to it."""
    for step in path:
        field = kind.model_fields.get(str(step))
        if field is not None and (inner := _table_in(field.annotation)) is not None:
            kind = inner
    return list(kind.model_fields)


def _table_in(annotation: Any) -> type[BaseModel] | None:
    """The table class inside ``Table | None``, ``tuple[Table, ...]`` and the like."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = (_table_in(a) for a in get_args(annotation))
    return next((t for t in inner if t is not None), None)
