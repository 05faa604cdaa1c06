"""Where in a TOML text each key stands: the parser shows values, people want lines."""

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping, Sequence

Path = tuple[str | int, ...]
"""Keys from the top; a whole number is a place in an array, counted from 0."""

_BLANKS = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|' + r"'''.*?'{3,5}|" + r'"(?:\\.|[^"\\\n])*"|' + r"'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}\n#]*")


def key_lines(text: str) -> Mapping[Path, int]:
    """Line (from 1) of every key and array item of a text that is valid TOML."""
    return _Scanner(text).scan()


def line_of(lines: Mapping[Path, int], path: Sequence[str | int]) -> int:
    """Line of a key, or of the nearest thing around it that is written in the file."""
    for length in range(len(path), 0, -1):
        if (line := lines.get(tuple(path[:length]))) is not None:
            return line
    return 1


class _Scanner:
    """Walks a text once. It may trust it: a parser has accepted the text before."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line_starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self.lines: dict[Path, int] = {}
        self.array_lengths: dict[Path, int] = {}

    def scan(self) -> Mapping[Path, int]:
        """Tables and key-value pairs up to the end of the text."""
        table: Path = ()
        self.skip_blanks()
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)
            self.skip_blanks()
        return self.lines

    def header(self) -> Path:
        """``[a.b]`` or ``[[a.b]]``: the path of the table that follows."""
        is_array = self.text.startswith("[[", self.at)
        line = self.line()
        self.at += 2 if is_array else 1
        keys = self.keys()
        self.at = self.text.index("]", self.at) + (2 if is_array else 1)
        *parents, last = keys
        path = (*self.into_last_items(parents), last)
        self.note(path, line)
        if not is_array:
            return self.into_last_items(keys)
        item = self.array_lengths.get(path, 0)
        self.array_lengths[path] = item + 1
        self.note((*path, item), line)
        return (*path, item)

    def into_last_items(self, keys: Sequence[str]) -> Path:
        """A header's keys as a path: arrays of tables are entered at their last item."""
        path: Path = ()
        line = self.line()
        for key in keys:
            path = (*path, key)
            self.note(path, line)
            if path in self.array_lengths:
                path = (*path, self.array_lengths[path] - 1)
        return path

    def pair(self, table: Path) -> None:
        """``a.b = value``"""
        line = self.line()
        path = table
        for key in self.keys():
            path = (*path, key)
            self.note(path, line)
        self.skip_blanks()
        self.at += 1  # the equals sign
        self.value(path)

    def keys(self) -> list[str]:
        """A key, or several with dots between them."""
        keys = []
        while True:
            self.skip_blanks()
            if found := _STRING.match(self.text, self.at):
                keys.append(str(tomllib.loads(f"key = {found[0]}")["key"]))
            else:
                found = _BARE_KEY.match(self.text, self.at)
                assert found, "the text was accepted by a parser before"
                keys.append(found[0])
            self.at = found.end()
            self.skip_blanks()
            if not self.text.startswith(".", self.at):
                return keys
            self.at += 1

    def value(self, path: Path) -> None:
        """Step over a value, noting what stands inside it."""
        self.skip_blanks()
        if found := _STRING.match(self.text, self.at):
            self.at = found.end()
        elif self.text[self.at] == "[":
            self.items(path, "]")
        elif self.text[self.at] == "{":
            self.items(path, "}")
        elif found := _SCALAR.match(self.text, self.at):
            self.at = found.end()

    def items(self, path: Path, end: str) -> None:
        """What stands between brackets or braces, one after another."""
        self.at += 1
        count = 0
        while True:
            self.skip_blanks()
            if self.text[self.at] == end:
                self.at += 1
                return
            if self.text[self.at] == ",":
                self.at += 1
            elif end == "}":
                self.pair(path)
            else:
                self.note((*path, count), self.line())
                self.value((*path, count))
                count += 1

    def skip_blanks(self) -> None:
        """Step over blanks, line ends and comments."""
        found = _BLANKS.match(self.text, self.at)
        self.at = found.end() if found else self.at

    def line(self) -> int:
        """Line, from 1, of the place reached."""
        return bisect_right(self.line_starts, self.at)

    def note(self, path: Path, line: int) -> None:
        """A table may be opened more than once; its first mention counts."""
        self.lines.setdefault(path, line)
