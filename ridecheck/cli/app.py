"""The application that commands register with, and how each way of failing is reported."""

import os
import shutil
import sys
import traceback
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from ridecheck import __version__
from ridecheck.core.errors import (
    FleetBusy,
    FleetError,
    LogError,
    RidecheckError,
    UsageError,
)
from ridecheck.core.threads import one_a_process
from ridecheck.reporters.characters import shown

DONE, WRONG_USE, BUSY, PROGRAM_FAULT = 0, 2, 4, 70
STOPPED = 130
"""What a shell reports for a program stopped from the keyboard."""

CLICK_ERROR: type[Exception] = next(
    c for c in typer.BadParameter.__mro__ if c.__name__ == "ClickException"
)

app = typer.Typer(
    name="ridecheck",
    help=(
        "Judges from logger files whether a motorcycle's cruise-control inputs can be true "
        "together, and says per bike: keep in, inspect, no opinion, or release (log only).\n\n"
        "Start with: ridecheck demo"
    ),
    epilog="It judges signals only: service manual, local law and the walk-round come first.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)


class Format(StrEnum):
    """How a command answers on standard output."""

    TEXT = "text"
    JSON = "json"
    CSV = "csv"


FleetFolder = Annotated[Path, typer.Option("--fleet", metavar="DIR", help="The fleet folder.")]
AnyFleet = Annotated[Path | None, typer.Option("--fleet", metavar="DIR", help="The fleet folder.")]
LayoutFile = Annotated[
    Path | None, typer.Option("--layout", metavar="FILE", help="The layout of the log.")
]
AsFormat = Annotated[Format, typer.Option("--format", help="Format of standard output.")]


def _version(asked: bool) -> None:
    if asked:
        say(f"ridecheck {__version__}\n")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """See the help given above."""


def main() -> NoReturn:
    """Run the command line and leave with its exit code; no traceback reaches a user."""
    one_a_process()  # commands import polars and numpy when they are called
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str]) -> int:
    """Run one command; the exit code. Every failure is reported in three parts on stderr."""
    _never_fail_on_a_character()
    try:
        code = app(args=list(arguments), prog_name="ridecheck", standalone_mode=False)
    except RidecheckError as error:
        return _reported(error)
    except CLICK_ERROR as error:
        return _wrong_use(error)
    except (KeyboardInterrupt, typer.Abort):
        remark("stopped from the keyboard; nothing half-written is left")
        return STOPPED
    except OSError as error:
        return _reported(_as_ridecheck_error(error))
    except Exception as error:
        return _program_fault(error)
    except BaseException as error:  # a panic inside polars is no Exception; --help loads no polars
        if type(error).__name__ != "PanicException":
            raise
        return _program_fault(error)
    return code if isinstance(code, int) else DONE


def say(text: str) -> None:
    """Write to standard output; a reader who left early is no failure."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        # What is still buffered must not fail again when the interpreter closes the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def remark(text: str) -> None:
    """Write a line for people to standard error, control characters spelled out."""
    sys.stderr.write("\n".join(shown(line) for line in text.split("\n")) + "\n")


def on_ascii() -> bool:
    """True where standard output cannot show more than ASCII."""
    encoding = (getattr(sys.stdout, "encoding", None) or "ascii").lower()
    return not encoding.startswith(("utf", "cp65001"))


def in_colour() -> bool:
    """True on a terminal that takes colours and whose user did not say no."""
    wanted = not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    return wanted and sys.stdout.isatty()


def columns() -> int:
    """Columns of the terminal that is written to; 80 where it is none."""
    return shutil.get_terminal_size((80, 24)).columns if sys.stdout.isatty() else 80


def _never_fail_on_a_character() -> None:
    for stream in (sys.stdout, sys.stderr):
        reconfigure: Any = getattr(stream, "reconfigure", None)
        if reconfigure:
            reconfigure(errors="backslashreplace")


def _reported(error: RidecheckError) -> int:
    remark(str(error))
    if isinstance(error, FleetBusy):
        return BUSY
    return WRONG_USE if isinstance(error, UsageError | FleetError | LogError) else PROGRAM_FAULT


def _wrong_use(error: Any) -> int:
    context = getattr(error, "ctx", None)
    command = context.command_path if context else "ridecheck"
    if context and type(error).__name__ == "NoArgsIsHelpError":
        say(context.get_help() + "\n")
        return WRONG_USE
    message = error.format_message().rstrip(".")
    _reported(UsageError(message, where=command, what_to_do=f"see: {command} --help"))
    return WRONG_USE


def _as_ridecheck_error(error: OSError) -> RidecheckError:
    return RidecheckError(
        "a file or folder could not be used",
        where=str(error.filename or ""),
        value=error.strerror or str(error),
        what_to_do="check that it exists, that you may read and write it, and that the disk has "
        "room; then run again",
    )


def _program_fault(error: BaseException) -> int:
    """One short text that can be sent to whoever keeps the program; no traceback."""
    frames = traceback.extract_tb(error.__traceback__)
    last = frames[-1] if frames else None
    place = f"{Path(last.filename).name}:{last.lineno} in {last.name}" if last else ""
    fault = RidecheckError(
        f"ridecheck {__version__} failed; this is a fault of the program, not of your files",
        where=place,
        value=f"{type(error).__name__}: {error}",
        what_to_do="run again; if it stays, report these lines and the command",
    )
    return _reported(fault)
