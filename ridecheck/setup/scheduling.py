"""What starts the night: a cron line, a systemd service and its timer, with right paths."""

import shlex
import shutil
import sys
from pathlib import Path

from ridecheck.core.errors import UsageError
from ridecheck.core.files import write_whole
from ridecheck.core.resources import shipped

UNITS = (
    "ridecheck-nightly.service",
    "ridecheck-nightly.timer",
    "ridecheck-nightly-failed.service",
    "ridecheck-nightly.cron",
)


def write_units(target: Path, fleet: Path, *, command: str | None = None) -> tuple[Path, ...]:
    """Write the units for a fleet folder into a folder; their paths.

    command: the program to run, the installed ``ridecheck`` by default. UsageError where
    the fleet folder is missing or a path holds a line break.
    """
    fleet = fleet.resolve()
    if not (fleet / "fleet.toml").is_file():
        raise UsageError(
            "There is no fleet folder",
            where="--fleet",
            value=str(fleet),
            what_to_do="Name the folder that holds fleet.toml.",
        )
    program = Path(command or shutil.which("ridecheck") or sys.argv[0]).absolute()
    for path in (fleet, program):
        if set(str(path)) & set("\n\r"):
            raise UsageError(
                "A path with a line break cannot stand in a unit",
                where="--fleet",
                value=repr(str(path)),
                what_to_do="Rename the folder.",
            )
    written = []
    for name in UNITS:
        text = shipped("pipelines", "units", name).read_text("utf-8")
        said = _in_cron if name.endswith(".cron") else _in_unit
        for key, path in (("@PROGRAM@", program), ("@FLEET@", fleet)):
            text = text.replace(key, said(str(path)))
        # Settings that take a path alone, not a command line, are not quoted.
        text = text.replace("@FLEET_PATH@", _in_path(str(fleet)))
        write_whole(target / name, text.encode("utf-8", "surrogateescape"))
        written.append(target / name)
    return tuple(written)


def _in_unit(path: str) -> str:
    """A path in a systemd command line: % is doubled, $ too, blanks and quotes are quoted."""
    escaped = path.replace("%", "%%").replace("$", "$$").replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _in_path(path: str) -> str:
    """A path in a systemd setting that splits at blanks and knows C escapes."""
    escaped = path.replace("\\", "\\\\").replace("%", "%%")
    return escaped.replace(" ", "\\x20").replace('"', "\\x22").replace("'", "\\x27")


def _in_cron(path: str) -> str:
    """A path in a cron line: quoted for the shell, and % means a line end to cron."""
    return shlex.quote(path).replace("%", "\\%")
