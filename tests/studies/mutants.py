"""Which numbers of the program does no test hold?

    python tests/studies/mutants.py                       danger rules whole, the rest sampled
    python tests/studies/mutants.py --only cruise/hunts   every number of files so named
    python tests/studies/mutants.py --sample 40 --write   40 numbers a group; writes mutants.md

One number is changed at a time: a whole number by one either way, any other halved and doubled
(a zero becomes one and minus one; a tolerance of a millionth or less only absorbs rounding and
is made a whole unit larger). The tests that can see it are run: the cases of rules, and the
test files of its group. A number survives if any of its changes leaves them all green.

A changed rule is run over all cases of all rules, and through the engine and the verdict at the
numbers of tests/rules/declared.toml. For any other file the program is imported anew with the
changed file in place of the real one, and what comes by the changed function is run. The test
that only reads declared.toml against the rules is left out, so that behaviour alone counts.
Mutation of numbers is common practice.
"""

import argparse
import ast
import contextlib
import functools
import importlib
import importlib.machinery
import multiprocessing
import os
import random
import re
import signal
import sys
import time
import tomllib
import types
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
TESTS = ROOT / "tests"
PACKAGE = ROOT / "ridecheck"
sys.path[:0] = [str(ROOT), str(TESTS)]  # this tree is measured, whatever is installed
SEED = 15
SAMPLE = 60
LIMIT_S = 180
TINY = 1e-6
FRESH = ("ridecheck", "rides", "cases", "declared", "kept", "logs", "folders", "made", "tests")
KEPT = ("ridecheck.core", "ridecheck.fleet")
PYTEST = ("-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--rootdir", str(ROOT))
VERDICT = ("case", "closed", "counting", "coverage", "raised", "unknown", "verdict")
RULES = ("danger rules", "other rules")
JUDGED = ("signals", "rules' engine")
GROUPS = {  # group: its files, and the test files that can see it besides the cases of rules
    "danger rules": (("rules/*/*.py",), ()),
    "other rules": (("rules/*/*.py",), ()),
    "rules' engine": (("rules/*.py",), ("rules/test_declared.py", "**/test_engine.py")),
    "signals": (("signals/**/*.py",), ("signals/**/test_*.py", "trace/test_*.py")),
    "verdict": (
        tuple(f"bike/{name}.py" for name in VERDICT),
        ("bike/test_verdict*.py", "rules/test_declared.py"),
    ),
    "values": (("**/normalise/values.py",), ("**/test_normalise_values.py",)),
    "csv_rows": (
        ("**/csv_rows.py",),
        ("**/test_csv.py", "**/test_quirks.py", "**/test_batches.py"),
    ),
}


@dataclass(frozen=True, slots=True)
class Number:
    """A number in a file: where it stands, in what function, and the line's own text."""

    group: str
    path: Path
    line: int
    column: int
    end_column: int
    value: float
    function: str
    text: str

    @property
    def place(self) -> str:
        """The file, named from the package."""
        return self.path.relative_to(PACKAGE).as_posix()

    @property
    def key(self) -> str:
        """How an explanation names it: file, line of code, and which number of it."""
        nth = len(numbers_in(self.text[: self.column - self._indent()]))
        return f"{self.place}: {self.text} [{nth}: {self.value:g}]"

    def _indent(self) -> int:
        raw = self.path.read_text("utf-8").splitlines()[self.line - 1]
        return len(raw) - len(raw.lstrip())


@dataclass(frozen=True, slots=True)
class Mutant:
    """A number and what it is changed to."""

    number: Number
    value: float

    @property
    def source(self) -> str:
        """The whole file with that one number changed."""
        lines = self.number.path.read_text("utf-8").splitlines(keepends=True)
        raw = lines[self.number.line - 1].encode()
        new = f"({self.value!r})".encode()
        changed = raw[: self.number.column] + new + raw[self.number.end_column :]
        lines[self.number.line - 1] = changed.decode()
        return "".join(lines)


def numbers_in(text: str) -> list[str]:
    """The numbers a piece of a line holds, as written."""
    return re.findall(r"(?<![\w.])\d[\d._]*(?:e[+-]?\d+)?", text)


def changes(value: float) -> tuple[float, ...]:
    """What a number is changed to, one after the other."""
    if value == 0:
        return (value + 1, value - 1)
    if isinstance(value, int):
        return (value + 1, value - 1)
    if abs(value) <= TINY:
        return (value + 1.0,)
    return (value * 2, value / 2)


def numbers(group: str) -> list[Number]:
    """Every number of a group's files."""
    return [number for path in _files(group) for number in _numbers_of(group, path)]


def _files(group: str) -> list[Path]:
    found = {p for pattern in GROUPS[group][0] for p in PACKAGE.glob(pattern)}
    if group in ("danger rules", "other rules"):
        found = {p for p in found if p.name != "__init__.py"}
        found = {p for p in found if (_is_danger(p)) == (group == "danger rules")}
    return sorted(found)


def _is_danger(path: Path) -> bool:
    return "severity=Severity.DANGER" in path.read_text("utf-8")


def _numbers_of(group: str, path: Path) -> Iterator[Number]:
    source = path.read_text("utf-8")
    lines = source.splitlines()

    def walk(node: ast.AST, inside: str) -> Iterator[Number]:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            inside = f"{inside}.{node.name}" if inside else node.name
        if isinstance(node, ast.Constant) and type(node.value) in (int, float):
            text = lines[node.lineno - 1].strip()
            place = (node.lineno, node.col_offset, node.end_col_offset or 0)
            yield Number(group, path, *place, node.value, inside, text)
        for child in ast.iter_child_nodes(node):
            yield from walk(child, inside)

    yield from walk(ast.parse(source), "")


# ------------------------------------------------------------------ the world the mutants run in


class World:
    """What every mutant is held against: each ride is built when first asked for, then kept.

    seen: by test, the functions it comes by.
    """

    def __init__(self, seen: Mapping[str, set[tuple[str, str]]], *, rule: str = "*/*") -> None:
        from cases import cases

        self.cases = cases(rule)
        self.seen = seen
        self._parts: dict[str, Any] = {}
        self._rides: dict[str, Any] = {}

    def part(self, case: Any) -> tuple[Any, Any]:
        """A case's part and settings, of the unchanged records."""
        from rides import merged, part_from, settings_from

        if case.name not in self._parts:
            plan = merged(case.base, case.told)
            self._parts[case.name] = part_from(plan), settings_from(plan)
        return self._parts[case.name]

    def ride(self, case: Any) -> Any:
        """A case's ride, with all that rules have measured of it so far."""
        from rides import ride_from

        if case.name not in self._rides:
            self._rides[case.name] = ride_from(case.base, case.told)
        return self._rides[case.name]


WORLD: list[World] = []
"""This process's world, once it is made."""


def begin(seen: Mapping[str, set[tuple[str, str]]]) -> None:
    """Make the world of a process that tries mutants."""
    sys.dont_write_bytecode = True
    WORLD.append(World(seen))


def killer(mutant: Mutant) -> str:
    """The first test that fails with this number changed; "" where none does."""
    signal.signal(signal.SIGALRM, _out_of_time)
    signal.alarm(LIMIT_S)
    try:
        if mutant.number.group in RULES:
            return _rule_killer(mutant, WORLD[0])
        with _installed(mutant):
            found = _cases_killer(mutant, WORLD[0]) if mutant.number.group in JUDGED else ""
            return found or _pytest_killer(mutant, WORLD[0])
    except OutOfTime:
        return f"not done after {LIMIT_S} s"
    except Exception as error:
        return f"ended in {type(error).__name__}: {error}"
    finally:
        signal.alarm(0)


class OutOfTime(BaseException):
    """A changed number has made a loop without an end."""


def _out_of_time(*_: object) -> None:
    raise OutOfTime


def _rule_id(path: Path) -> str:
    return path.relative_to(PACKAGE / "rules").with_suffix("").as_posix().replace("_", "-")


def _test_files(group: str) -> list[str]:
    return sorted({str(p) for pattern in GROUPS[group][1] for p in TESTS.glob(pattern)})


def _rule_killer(mutant: Mutant, world: World) -> str:
    """Run the changed rule alone over all cases; what looks wrong is asked again with all rules."""
    from cases import differences
    from declared import clearing_differences, model_differences, raising_differences

    from ridecheck.rules import all_rules
    from ridecheck.rules.engine import judge

    rule_id = _rule_id(mutant.number.path)
    before = all_rules()[rule_id]
    changed = _changed_rule(before, mutant)
    for declared in (clearing_differences, raising_differences, model_differences):
        if any(declared(changed)):
            return f"{declared.__name__} {rule_id}"
    rules = [changed if r.id == rule_id else r for r in all_rules().values()]
    for case in sorted(world.cases, key=lambda case: case.rule != rule_id):
        own, ride = case.rule == rule_id, world.ride(case)
        was, now = judge(ride, rules=[before]), judge(ride, rules=[changed])
        same = _alike(was, now) if own else bool(was.findings) == bool(now.findings)
        whole = own and bool(changed.falsifies or changed.doubts_file)
        if (not same or whole) and any(differences(case, judge(ride, rules=rules))):
            return str(case.name)
    return ""


def _changed_rule(before: Any, mutant: Mutant) -> Any:
    """The rule of the changed file, which stands in the real one's place for that moment only."""
    name = before.check.__module__
    module = types.ModuleType(name)
    real, sys.modules[name] = sys.modules[name], module
    try:
        exec(compile(mutant.source, str(mutant.number.path), "exec"), module.__dict__)
    finally:
        sys.modules[name] = real
    return module.__dict__["check"]


def _alike(was: Any, now: Any) -> bool:
    """Whether two judgements of one rule are the same in all that a case may ask for."""
    states = [(o.state, o.reason) for o in was.rules] == [(o.state, o.reason) for o in now.rules]
    return bool(states and was.findings == now.findings)


def _cases_killer(mutant: Mutant, world: World) -> str:
    """Judge again every case that comes by the changed function, its rides built anew."""
    from cases import differences

    judge = importlib.import_module("ridecheck.rules.engine").judge
    Ride = importlib.import_module("ridecheck.signals.ride").Ride  # noqa: N806
    asked = _users(mutant.number)
    for case in world.cases:
        if asked & world.seen.get(case.name, set()):
            part, settings = world.part(case)
            judged = judge(Ride("T01-20260501T080000Z", "T01", (part,), settings))
            if any(differences(case, judged)):
                return str(case.name)
    return ""


def _pytest_killer(mutant: Mutant, world: World) -> str:
    """Run those tests of the group's files that come by the changed function."""
    import pytest

    files = {str(Path(f).relative_to(ROOT)) for f in _test_files(mutant.number.group)}
    asked = _users(mutant.number)
    tests = [t for t, seen in world.seen.items() if t.split("::")[0] in files and asked & seen]
    if not tests:
        return ""
    failed: list[str] = []

    class Listener:
        def pytest_runtest_logreport(self, report: Any) -> None:
            if report.failed:
                failed.append(report.nodeid)

        def pytest_collectreport(self, report: Any) -> None:
            if report.failed:
                failed.append(f"import of {report.nodeid}")

    with _silenced():
        code = pytest.main(["-x", *PYTEST, *(str(ROOT / t) for t in tests)], plugins=[Listener()])
    if failed:
        return failed[0]
    return "" if code == 0 else f"pytest ended with {code}"


@contextlib.contextmanager
def _silenced() -> Iterator[None]:
    sys.stdout.flush()
    kept = os.dup(1), os.dup(2)
    with Path(os.devnull).open("w") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        os.dup2(nowhere.fileno(), 2)
        try:
            yield
        finally:
            os.dup2(kept[0], 1)
            os.dup2(kept[1], 2)
            os.close(kept[0])
            os.close(kept[1])


@contextlib.contextmanager
def _installed(mutant: Mutant) -> Iterator[None]:
    """Forget the program, and import the changed file in place of the real one; then forget it."""
    path, source = str(mutant.number.path), mutant.source
    loader = importlib.machinery.SourceFileLoader
    real = loader.get_code

    def get_code(self: Any, fullname: str) -> Any:
        return compile(source, path, "exec") if self.path == path else real(self, fullname)

    _forget()
    loader.get_code = get_code  # type: ignore[method-assign]
    try:
        yield
    finally:
        loader.get_code = real  # type: ignore[method-assign]
        _forget()


def _forget() -> None:
    """Drop what was imported of the program and its tests, but for the records parts are made of.

    Those keep their identity, so that a built part fits the program imported next.
    """
    for name in [m for m in sys.modules if m.split(".")[0] in FRESH]:
        if not name.startswith(KEPT):
            del sys.modules[name]


# --------------------------------------------------------------- which tests come by a function


@functools.cache
def _named_by() -> dict[str, set[tuple[str, str]]]:
    """Name -> the functions, of all files that are changed, that use it."""
    users: dict[str, set[tuple[str, str]]] = {}
    for path in sorted({p for group in GROUPS for p in _files(group)}):
        for node in ast.parse(path.read_text("utf-8")).body:
            parts = [node] if not isinstance(node, ast.ClassDef) else node.body
            for part in parts:
                inside = getattr(part, "name", "")
                owner = node.name + "." if isinstance(node, ast.ClassDef) else ""
                assigned = [t.id for t in getattr(part, "targets", []) if isinstance(t, ast.Name)]
                for name in _names_in(part):
                    if inside:
                        users.setdefault(name, set()).add((str(path), owner + inside))
                    for to in assigned:
                        users.setdefault(name, set()).add(("constant", to))
    return users


def _names_in(node: ast.AST) -> set[str]:
    return {
        n.id if isinstance(n, ast.Name) else n.attr
        for n in ast.walk(node)
        if isinstance(n, ast.Name | ast.Attribute)
    }


@functools.cache
def _users(number: Number) -> set[tuple[str, str]]:
    """The functions that a number decides in: its own, or those that use its constant."""
    tree = ast.parse(number.path.read_text("utf-8"))
    for node in tree.body:
        if not node.lineno <= number.line <= (node.end_lineno or node.lineno):
            continue
        if isinstance(node, ast.FunctionDef) and not _is_cached(node):
            return {(str(number.path), node.name)}
        names = [t.id for t in getattr(node, "targets", []) if isinstance(t, ast.Name)]
        if names:
            return _closure(names)
    every = _named_by().values()
    return {u for users in every for u in users if u[0] == str(number.path)} | {
        (str(number.path), "")
    }


def _is_cached(node: ast.FunctionDef) -> bool:
    return any("cache" in ast.unparse(d) for d in node.decorator_list)


def _closure(names: list[str]) -> set[tuple[str, str]]:
    found: set[tuple[str, str]] = set()
    waiting, known = list(names), set(names)
    while waiting:
        for path, user in _named_by().get(waiting.pop(), set()):
            if path != "constant":
                found.add((path, user))
            elif user not in known:
                known.add(user)
                waiting.append(user)
    return found


class Watch:
    """Notes which of the program's functions are called while it is on."""

    def __init__(self) -> None:
        self.seen: set[tuple[str, str]] = set()
        self._prefix = str(PACKAGE)

    def _called(self, frame: Any, event: str, _: Any) -> None:
        if event == "call" and frame.f_code.co_filename.startswith(self._prefix):
            name = frame.f_code.co_qualname.split(".<locals>")[0]
            self.seen.add((frame.f_code.co_filename, name))
            self.seen.add((frame.f_code.co_filename, ""))

    def __enter__(self) -> "Watch":
        sys.setprofile(self._called)
        return self

    def __exit__(self, *_: object) -> None:
        sys.setprofile(None)


def watched(groups: Iterable[str]) -> dict[str, set[tuple[str, str]]]:
    """By test of some groups' files, the functions it comes by; and by case, where they count."""
    import pytest

    seen: dict[str, set[tuple[str, str]]] = {}
    groups = [g for g in groups if g not in RULES]
    files = sorted({f for group in groups for f in _test_files(group)})
    if not files:
        return seen

    class Watcher:
        @pytest.hookimpl(wrapper=True)
        def pytest_runtest_protocol(self, item: Any) -> Iterator[None]:
            with Watch() as watch:
                result = yield
            seen[item.nodeid] = watch.seen
            return result

    with _silenced():
        code = pytest.main([*PYTEST, *files], plugins=[Watcher()])
    if code != 0:
        raise SystemExit(f"the tests fail before anything is changed: pytest ends with {code}")
    if any(g in JUDGED for g in groups):
        from cases import cases
        from rides import ride_from

        from ridecheck.rules.engine import judge

        for case in cases():
            with Watch() as watch:
                judge(ride_from(case.base, case.told))
            seen[case.name] = watch.seen
    return seen


# ------------------------------------------------------------------------------ figures and pages


def chosen(groups: Sequence[str], *, only: str, sample: int, seed: int) -> list[Number]:
    """Danger rules whole, of every other group a seeded sample; all of the files named."""
    found: list[Number] = []
    for group in groups:
        every = [n for n in numbers(group) if not only or only in n.place.replace("_", "-")]
        if not only and group != "danger rules" and sample < len(every):
            every = sorted(
                random.Random(f"{seed} {group}").sample(every, sample),
                key=lambda n: (n.path, n.line, n.column),
            )
        found += every
    return found


def tried(have: Sequence[Number], *, jobs: int) -> Iterator[tuple[Mutant, str]]:
    """Each mutant with its killer, in order."""
    mutants = [Mutant(n, v) for n in have for v in changes(n.value)]
    seen = watched({n.group for n in have})
    with ProcessPoolExecutor(
        jobs,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=begin,
        initargs=(seen,),
    ) as pool:
        yield from zip(mutants, pool.map(killer, mutants, chunksize=1), strict=True)


def explanations() -> dict[str, str]:
    """By number's key, why no test holds it."""
    table = tomllib.loads((HERE / "mutants.toml").read_text("utf-8"))
    return {row["number"]: row["why"] for row in table.get("survivor", [])}


def page(rows: Sequence[tuple[Mutant, str]], *, of: dict[str, int], command: str) -> str:
    """The whole of mutants.md."""
    why = explanations()
    by_number: dict[Number, list[tuple[Mutant, str]]] = {}
    for mutant, dead_by in rows:
        by_number.setdefault(mutant.number, []).append((mutant, dead_by))
    survivors = {n: [m for m, k in ms if not k] for n, ms in by_number.items()}
    survivors = {n: ms for n, ms in survivors.items() if ms}
    lines = [
        "# Numbers that no test holds",
        "",
        f"Written by `{command}`. How it is done stands at the head of `mutants.py`.",
        "",
        "| group | numbers | tried | changes tried | changes surviving "
        "| numbers surviving | share |",
        "|---|---|---|---|---|---|---|",
    ]
    groups = [g for g in GROUPS if g in of]
    for name, parts in [(g, [g]) for g in groups] + [
        ("all rules, weighed by their numbers", ["danger rules", "other rules"])
    ]:
        lines.append(_row(name, [p for p in parts if p in of], by_number, survivors, of))
    for group in groups:
        left = [n for n in survivors if n.group == group]
        lines += ["", f"## {group.capitalize()}: {len(left)} surviving", ""]
        for n in sorted(left, key=lambda n: (n.place, n.line, n.column)):
            to = " and ".join(f"{m.value:g}" for m in survivors[n])
            lines.append(f"- `{n.key}` as {to}: {why.get(n.key, 'not explained yet')}")
    return "\n".join(lines) + "\n"


def _row(
    name: str,
    groups: list[str],
    by_number: dict[Number, list[tuple[Mutant, str]]],
    survivors: dict[Number, list[Mutant]],
    of: dict[str, int],
) -> str:
    there = sum(of[g] for g in groups)
    have = [n for n in by_number if n.group in groups]
    left = [n for n in survivors if n.group in groups]
    count = Counter(n.group for n in have)
    lost = Counter(n.group for n in left)
    share = sum(of[g] * lost[g] / count[g] for g in groups if count[g]) / max(there, 1)
    mutants = sum(len(by_number[n]) for n in have)
    alive = sum(len(survivors[n]) for n in left)
    cells = (name, there, len(have), mutants, alive, len(left), f"{100 * share:.1f} %")
    return "| " + " | ".join(str(c) for c in cells) + " |"


def main() -> int:
    """Change numbers, run tests, print what survives."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help="part of a file's path; all its numbers")
    parser.add_argument("--group", choices=list(GROUPS), action="append", help="default: all")
    parser.add_argument("--sample", type=int, default=SAMPLE, help="numbers a group, but danger")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--write", action="store_true", help="write mutants.md")
    args = parser.parse_args()
    groups = args.group or list(GROUPS)
    have = chosen(groups, only=args.only, sample=args.sample, seed=args.seed)
    groups = [g for g in groups if any(n.group == g for n in have)]
    begun = time.monotonic()
    rows = []
    for mutant, dead_by in tried(have, jobs=args.jobs):
        rows.append((mutant, dead_by))
        if not dead_by:
            print(f"survives as {mutant.value:g}: {mutant.number.key}", flush=True)
    of = {g: len(numbers(g)) for g in groups}
    if args.only:
        of = dict(Counter(n.group for n in have))
    command = "python " + " ".join(["tests/studies/mutants.py", *sys.argv[1:]])
    text = page(rows, of=of, command=command)
    if args.write:
        (HERE / "mutants.md").write_text(text, "utf-8")
    print(text.split("\n## ")[0])
    print(f"{len(rows)} changes in {time.monotonic() - begun:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
