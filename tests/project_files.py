"""The project's own files, for tests that hold all of them to a promise."""

import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LEFT_OUT = {".git", ".venv", "build", "dist", "__pycache__", "ridecheck-demo"}


@cache
def tracked() -> tuple[Path, ...]:
    """Every file under version control that is there; outside a repository, every file."""
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listed.returncode == 0:
        paths = [ROOT / name for name in listed.stdout.split("\0") if name]
    else:
        paths = [p for p in ROOT.rglob("*") if not LEFT_OUT & set(p.relative_to(ROOT).parts)]
    return tuple(sorted(p for p in paths if p.is_file()))


@cache
def texts() -> dict[str, str]:
    """The tracked text files, by path from the project's root; logs and pictures are none."""
    found = {}
    for path in tracked():
        data = path.read_bytes()
        if b"\0" not in data and "inbox" not in path.parts:
            found[path.relative_to(ROOT).as_posix()] = data.decode("utf-8", errors="replace")
    return found
