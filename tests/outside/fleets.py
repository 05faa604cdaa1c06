"""Small fleet folders for outside checks, and `ridecheck screen` run on them."""

import json
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ridecheck.fleet import Fleet, load_fleet
from ridecheck.rules.engine import known_limits


@dataclass(frozen=True, slots=True)
class Screened:
    """What `ridecheck screen --format json` said, with its exit code and stderr."""

    report: dict[str, Any]
    exit_code: int
    stderr: str

    def findings(self, bike: str) -> list[dict[str, Any]]:
        """All findings of one bike."""
        return [f for b in self.report["bikes"] if b["bike"] == bike for f in b["findings"]]

    def state(self, bike: str, rule: str) -> str:
        """What a rule said over the rides of one bike: ok, fault, not_assessed or error."""
        (coverage,) = (
            c
            for b in self.report["bikes"]
            if b["bike"] == bike
            for c in b["coverage"]
            if c["rule"] == rule
        )
        return str(coverage["state"])

    def above_note(self, bike: str) -> list[str]:
        """Findings that say something against a bike, as readable lines."""
        return [
            f"{f['rule']} at {f['start']}: {f['message']}"
            for f in self.findings(bike)
            if f["severity"] != "note"
        ]


def write_fleet(
    root: Path, *, models: Mapping[str, str], layout: str, bikes: Mapping[str, str]
) -> None:
    """A fleet folder with one layout. models: name -> file; bikes: id -> name of its model."""
    for folder in ("models", "bikes", "layouts", "inbox"):
        (root / folder).mkdir(parents=True, exist_ok=True)
    (root / "fleet.toml").write_text('name = "Outside checks"\n', "utf-8")
    (root / "layouts" / "one.toml").write_text(layout, "utf-8")
    for name, text in models.items():
        (root / "models" / f"{name}.toml").write_text(text, "utf-8")
    for bike, model in bikes.items():
        (root / "bikes" / f"{bike}.toml").write_text(
            f'bike = "{bike}"\nmodel = "{model}"\nlayout = "one"\n', "utf-8"
        )


def read_fleet(root: Path) -> Fleet:
    """The fleet folder as the program reads it; none of its files may be wrong."""
    fleet = load_fleet(root, known_limits=known_limits())
    assert not fleet.mistakes
    return fleet


def screen(root: Path) -> Screened:
    """Take the inbox in and judge it, as a user would."""
    code = "import sys; from ridecheck.cli import main; sys.exit(main())"
    options = ("screen", "--fleet", str(root), "--format", "json", "--fail-on", "never")
    done = subprocess.run(
        [sys.executable, "-c", code, *options], capture_output=True, text=True, check=False
    )
    assert done.stdout, done.stderr
    return Screened(json.loads(done.stdout), done.returncode, done.stderr)
