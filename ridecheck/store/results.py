"""What was found in each ride, as canonical JSON under results/: the truth that stays."""

import hashlib
import json
import math
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from ridecheck.core.files import remove, write_whole
from ridecheck.core.model import RideResult

SCHEMA = "ridecheck-ride/2"
DIGITS = {"km/h": 1, "s": 3, "rpm": 0, "km": 3, "m": 1, "%": 2, "V": 3, "degC": 1, "kPa": 1}
"""Decimals that a unit is printed with; what is not listed has three."""
_SEAL = b'{\n "seal": "%s",'
NEVER_S = 86_400.0
"""Stands for an endless interval in stored numbers: JSON has no infinity."""


@cache
def adapter() -> TypeAdapter[RideResult]:
    """Reads and writes the record; built once, it is dear."""
    return TypeAdapter(RideResult)


def rounded(value: float | None, unit: str = "") -> float | None:
    """A number as it is printed; None where it is absent or no number."""
    if value is None or math.isnan(value):
        return None
    if math.isinf(value):
        return math.copysign(NEVER_S, value)
    return round(float(value), DIGITS.get(unit, 3)) + 0.0


def canonical(content: object) -> bytes:
    """JSON of sorted keys and one space of indent; NaN and infinity are refused."""
    text = json.dumps(content, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8", "backslashreplace")


def result_path(root: Path, bike: str, ride: str) -> Path:
    """Where the result of a ride is kept."""
    return root / "results" / bike / f"{ride}.json"


def write_result(root: Path, result: RideResult) -> bool:
    """Keep a result; False where the same one was there. Raises OSError."""
    content = sealed(canonical(adapter().dump_python(result, mode="json")))
    return write_whole(result_path(root, result.bike, result.ride), content)


def read_result(path: Path) -> RideResult:
    """A kept result. Raises OSError where it is missing, damaged, or was edited."""
    content = path.read_bytes()
    if not _is_sealed(content):
        raise OSError(f"{path.name} is damaged or was edited")
    try:
        return adapter().validate_json(content)
    except ValidationError as error:
        raise OSError(f"{path.name} is not a result ridecheck can read") from error


def sealed(content: bytes) -> bytes:
    """A JSON object with a first key that tells whether anything after it was changed."""
    rest = content.removeprefix(b"{")
    return _SEAL % hashlib.sha256(rest).hexdigest()[:16].encode() + rest


def _is_sealed(content: bytes) -> bool:
    head = len(_SEAL % (b"0" * 16))
    return content == sealed(b"{" + content[head:])


def read_results(root: Path, bike: str) -> tuple[Mapping[str, RideResult], tuple[str, ...]]:
    """All results of a bike by ride, and the names of damaged files."""
    results, damaged = {}, []
    for path in sorted((root / "results" / bike).glob("*.json")):
        try:
            result = read_result(path)
        except OSError:
            damaged.append(path.name)
            continue
        results[result.ride] = result
    return results, tuple(damaged)


def remove_result(root: Path, bike: str, ride: str) -> None:
    """Delete the result of a ride that is no more."""
    remove(result_path(root, bike, ride))
