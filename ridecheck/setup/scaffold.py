"""A new fleet folder with commented examples: what ``ridecheck init`` writes.

The examples are the files under ``schemas/``; every default stands in them as a comment,
and a test holds those comments to the defaults in the code.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import tomlkit

from ridecheck.core.errors import UsageError
from ridecheck.core.files import write_whole
from ridecheck.core.resources import shipped
from ridecheck.core.strict_toml import BIKE_ID, BIKE_ID_RULE, is_one_line

EXAMPLE_BIKE = "T07"
FOLDERS = ("models", "bikes", "layouts", "inbox")
_COLUMNS = ("bike", "label", "model", "layout")
_NO_FILE_NAME = frozenset('/\\:*?"<>|')


@dataclass(frozen=True, slots=True)
class NewFleet:
    """What was written: paths under the folder, and those still to be filled in."""

    root: Path
    files: tuple[str, ...]
    to_fill_in: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Row:
    """One line of a list of bikes."""

    line: int
    bike: str
    label: str
    model: str
    layout: str
    too_many: str


def init_fleet(root: Path, *, bikes_csv: Path | None = None) -> NewFleet:
    """Write a fleet folder that loads as it is.

    bikes_csv: a list with the columns bike, label, model and layout (label and layout may
    be left out); a file is written for each bike, and for each model and layout named in
    it. A model or layout that is not among the examples gets a file whose figures are
    still to be stated: until then it counts as wrong, and its bikes as "no opinion".
    UsageError for a folder that is not empty or a list that is wrong.
    """
    rows = _read_list(bikes_csv) if bikes_csv else []
    _refuse_used(root)
    texts = dict(_files(rows))
    try:
        for folder in FOLDERS:
            (root / folder).mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            write_whole(root / name, text.encode("utf-8"))
    except OSError as error:
        raise UsageError(
            "the fleet folder cannot be written",
            where=str(root),
            value=error.strerror or str(error),
            what_to_do="name a folder you may write in",
        ) from None
    unfinished = tuple(n for n in texts if texts[n].startswith(_UNFINISHED_MARK))
    return NewFleet(root, tuple(texts), unfinished)


def _files(rows: Sequence[_Row]) -> Iterator[tuple[str, str]]:
    """Name and text of every file of the new folder."""
    yield "fleet.toml", _example("fleet.toml")
    if not rows:
        for name in ("bikes", "models", "layouts"):
            for path in sorted(shipped("schemas", name).glob("*.toml")):
                yield f"{name}/{path.name}", path.read_text("utf-8")
        return
    for row in rows:
        yield f"bikes/{row.bike}.toml", _bike_text(row)
    for folder, names in (
        ("models", {r.model for r in rows}),
        ("layouts", {r.layout for r in rows if r.layout}),
    ):
        for name in sorted(names):
            path = shipped("schemas", folder, f"{name}.toml")
            text = path.read_text("utf-8") if path.is_file() else _unfinished(folder)
            yield f"{folder}/{name}.toml", text


def _example(*parts: str) -> str:
    return shipped("schemas", *parts).read_text("utf-8")


def _bike_text(row: _Row) -> str:
    """The example of a bike with this bike's own values; the comments stay."""
    text = _example("bikes", f"{EXAMPLE_BIKE}.toml")
    written = {
        f'bike = "{EXAMPLE_BIKE}"': f'bike = "{row.bike}"',
        'model = "touring-triple-five"': f"model = {_quoted(row.model)}",
        '# label = ""': f"label = {_quoted(row.label)}" if row.label else '# label = ""',
        'layout = "bench-20hz"': f"layout = {_quoted(row.layout)}" if row.layout else "# layout =",
    }
    lines = [written.get(line, line) for line in text.splitlines()]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A text as TOML writes it."""
    return tomlkit.item(text).as_string()


_UNFINISHED_MARK = "# TO BE FILLED IN"


def is_unfinished(path: Path) -> bool:
    """Whether a file still waits for its own figures, as init left it."""
    try:
        return path.read_text("utf-8").startswith(_UNFINISHED_MARK)
    except (OSError, UnicodeDecodeError):
        return False


def _unfinished(folder: str) -> str:
    """The example of a model or layout with every line a comment.

    Figures of another machine would be judged as if they were this one's.
    """
    (path,) = sorted(shipped("schemas", folder).glob("*.toml"))
    lines = path.read_text("utf-8").splitlines()
    commented = [line if line.startswith("#") or not line else f"#~ {line}" for line in lines]
    head = (
        f"{_UNFINISHED_MARK}: the lines that begin with #~ are an example's. State this one's\n"
        "# own and take the #~ away; until then its bikes are not judged.\n\n"
    )
    return head + "\n".join(commented) + "\n"


# ---------------------------------------------------------------- the list of bikes


def _read_list(path: Path) -> list[_Row]:
    """The rows of a list of bikes; UsageError with every line that is wrong."""
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            "the list of bikes cannot be read",
            where=str(path),
            value=str(getattr(error, "strerror", "") or error),
            what_to_do="name a CSV file in UTF-8 with the columns bike, label, model, layout",
        ) from None
    first = text.partition("\n")[0]
    separator = next((s for s in (";", "\t") if s in first), ",")
    reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator, restval="")
    header = [(h or "").strip().casefold() for h in reader.fieldnames or ()]
    reader.fieldnames = header
    wrong = [f"column {h or 'without a name'} is not known" for h in header if h not in _COLUMNS]
    wrong += [f"there is no column {c}" for c in ("bike", "model") if c not in header]
    if wrong:
        raise _wrong_list(path, wrong)
    rows = [_row(reader.line_num, cells) for cells in reader]
    wrong = [f"line {row.line}: {said}" for row in rows for said in _wrong_in(row, rows)]
    if wrong or not rows:
        raise _wrong_list(path, wrong or ["it names no bike"])
    return rows


def _row(line: int, cells: dict[str | None, str | list[str]]) -> _Row:
    def cell(name: str) -> str:
        return str(cells.get(name, "")).strip()

    more = "too many cells" if None in cells else ""
    return _Row(line, cell("bike"), cell("label"), cell("model"), cell("layout"), more)


def _wrong_in(row: _Row, rows: Sequence[_Row]) -> Iterator[str]:
    """What is wrong with one row."""
    if row.too_many:
        yield row.too_many
    if not BIKE_ID.fullmatch(row.bike):
        yield f'bike "{row.bike}" is no bike id ({BIKE_ID_RULE})'
    if any(r.bike.casefold() == row.bike.casefold() for r in rows if r.line < row.line):
        yield f'bike "{row.bike}" is listed before'
    if not is_one_line(row.label):
        yield "label: at most 300 characters on one line"
    for column, name in (("model", row.model), ("layout", row.layout)):
        if column == "model" and not name:
            yield "model is blank"
        if not _can_be_file_name(name):
            yield f'{column} "{name}" cannot be a file\'s name'


def _can_be_file_name(name: str) -> bool:
    return not (
        _NO_FILE_NAME & set(name) or name.startswith(".") or len(name) > 64 or not is_one_line(name)
    )


def _wrong_list(path: Path, wrong: Sequence[str]) -> UsageError:
    said = "".join(f"\n  {w}" for w in wrong)
    return UsageError(
        f"the list of bikes is wrong{said}",
        where=str(path),
        what_to_do="the columns are bike, label, model, layout, one bike a line",
    )


def _refuse_used(root: Path) -> None:
    """A folder that holds anything is somebody's."""
    try:
        used = root.exists() and (not root.is_dir() or any(root.iterdir()))
    except OSError:
        used = True
    if used:
        raise UsageError(
            "the folder is not empty",
            where=str(root),
            what_to_do="name a new or empty folder",
        )
