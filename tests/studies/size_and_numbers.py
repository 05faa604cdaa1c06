"""How long rules and functions are, and how many numbers stand in them with and without a reason.

    python tests/studies/size_and_numbers.py [TREE ...]      a column for each tree (default: this)

A threshold has a unit and a reason, is settable and shown by ``ridecheck explain``. A named
constant has a reason in its docstring. A bare number stands in a function with neither; 0, 1, 2,
their negatives, a half and a hundred are not counted, nor tolerances for rounding (1e-6 and such,
counted by themselves).
"""

import ast
import statistics
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PLAIN = {0.0, 1.0, 2.0, 0.5, 100.0}
LONG = 40


def figures(tree: Path) -> dict[str, str]:
    """What is counted, by name, in one tree."""
    package = tree / "ridecheck"
    rules = [p for p in package.glob("rules/*/*.py") if p.name != "__init__.py"]
    lines = [len(p.read_text("utf-8").splitlines()) for p in rules]
    modules = {p: _parsed(p) for p in package.rglob("*.py")}
    signals = [m for p, m in modules.items() if package / "signals" in p.parents]
    functions = [f for m in modules.values() for f in _functions(m)]
    text = "\n".join(p.read_text("utf-8") for p in modules)
    in_rules = [modules[p] for p in rules]
    judging = [*signals, *in_rules]
    return {
        "rule files": str(len(rules)),
        "rule files, median lines": f"{statistics.median(lines):.0f}",
        "rule files, longest": str(max(lines)),
        "rule files over 180 lines": str(sum(n > 180 for n in lines)),
        f"functions over {LONG} lines": str(
            sum((f.end_lineno or 0) - f.lineno + 1 > LONG for f in functions)
        ),
        "thresholds": str(sum(_calls(m, "threshold") for m in modules.values())),
        "thresholds that follow a shared one": str(sum(_calls(m, "shared") for m in in_rules)),
        "named constants in signals": str(sum(_constants(m) for m in signals)),
        "bare numbers in signals": str(sum(len(list(_bare(m))) for m in signals)),
        "bare numbers in rules": str(sum(len(list(_bare(m))) for m in in_rules)),
        "tolerance literals in rules and signals": str(sum(_tolerances(m) for m in judging)),
        "errstate blocks": str(text.count("np.errstate(")),
        "slices of a span written out": str(text.count("ride.slice(Span(")),
    }


def _parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def _functions(module: ast.Module) -> Iterator[ast.FunctionDef]:
    yield from (n for n in ast.walk(module) if isinstance(n, ast.FunctionDef))


def _calls(module: ast.Module, name: str) -> int:
    return sum(
        isinstance(n, ast.Call) and isinstance(n.func, ast.Name) and n.func.id == name
        for n in ast.walk(module)
    )


def _numbers(node: ast.AST) -> Iterator[float]:
    yield from (value for n in ast.walk(node) if (value := _number(n)) is not None)


def _number(node: ast.AST) -> float | None:
    if not isinstance(node, ast.Constant) or isinstance(node.value, bool):
        return None
    return abs(float(node.value)) if isinstance(node.value, int | float) else None


def _constants(module: ast.Module) -> int:
    """Numbers in assignments to upper-case names of a module."""
    found = 0
    for node in module.body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        targets = node.targets if isinstance(node, ast.Assign) else [node.target]
        names = [n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]
        if names and all(name.isupper() for name in names):
            found += sum(1 for _ in _numbers(node.value))
    return found


def _bare(module: ast.Module) -> Iterator[float]:
    """Numbers in functions, defaults of arguments included, that are not plain."""
    for function in _functions(module):
        inner = {id(n) for f in _functions(ast.Module([*function.body], [])) for n in ast.walk(f)}
        for node in ast.walk(function):
            if id(node) in inner or node in function.decorator_list:
                continue
            value = _number(node)
            if value is not None and value not in PLAIN and not _is_tolerance(value):
                yield value


def _is_tolerance(value: float) -> bool:
    return 0.0 < value <= 1e-3


def _tolerances(module: ast.Module) -> int:
    return sum(_is_tolerance(v) for f in module.body for v in _numbers(f))


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point."""
    trees = [Path(a) for a in (sys.argv[1:] if argv is None else argv)] or [ROOT]
    columns = [figures(tree) for tree in trees]
    for name in columns[0]:
        print(f"{name:<45}" + "".join(f"{c[name]:>10}" for c in columns))
    return 0


if __name__ == "__main__":
    sys.exit(main())
