import io
import json
import os
import subprocess
import sys

import pytest

from ridecheck.cli import app as application
from ridecheck.cli.app import run
from ridecheck.core import errors


def ridecheck(*arguments, **options):
    """The program as a user starts it."""
    return subprocess.run(
        [sys.executable, "-c", "from ridecheck.cli import main; main()", *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        **options,
    )


def test_help_names_the_commands_and_loads_nothing_heavy():
    script = (
        "import sys\n"
        "from ridecheck.cli.app import run\n"
        "import ridecheck.cli\n"
        "code = run(['--help'])\n"
        "heavy = {'polars', 'pandera', 'numpy', 'duckdb', 'scipy', 'pydantic', 'jinja2'}\n"
        "print(code, sorted(heavy & set(sys.modules)), file=sys.stderr)\n"
    )

    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )

    assert done.stderr == "0 []\n"
    assert "screen" in done.stdout
    assert "ridecheck demo" in done.stdout


def commands():
    import ridecheck.cli  # noqa: F401

    return [c.name or c.callback.__name__ for c in application.app.registered_commands]


@pytest.mark.parametrize("command", commands())
def test_the_help_of_every_command_has_an_example_and_fits_eighty_columns(command, capsys):
    code = run([command, "--help"])

    told = capsys.readouterr().out
    assert code == 0
    assert f"  ridecheck {command}" in told
    assert max(len(line) for line in told.splitlines()) <= 80


def test_the_version_is_told(capsys):
    from ridecheck import __version__

    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"ridecheck {__version__}\n"


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["explane"], "explane"),
        (["explain", "--colour"], "--colour"),
        (["explain", "--format", "yaml"], "yaml"),
        (["note", "T07"], "kind"),
        (["explain", "cruise/hunt"], "nothing of this name is known"),
    ],
)
def test_wrong_use_is_told_in_three_parts(arguments, what, capsys):
    code = run(arguments)

    out, err = capsys.readouterr()
    assert code == 2
    assert out == ""
    assert what in err.splitlines()[0] + err.splitlines()[1]
    assert [line.split(":")[0] for line in err.splitlines()[1:]] == ["  where", "  do"]


def test_no_command_shows_the_help(capsys):
    code = run([])

    assert code == 2
    assert "Commands:" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("raised", "code", "told"),
    [
        (errors.UsageError("odd", where="here", what_to_do="mend"), 2, "odd\n  where: here"),
        (errors.FleetError("odd", where="fleet.toml:3"), 2, "odd\n  where: fleet.toml:3"),
        (errors.LogError("odd", where="line 3"), 2, "odd\n  where: line 3"),
        (errors.FleetBusy("busy", what_to_do="wait"), 4, "busy\n  do: wait"),
        (errors.RidecheckError("no room"), 70, "no room"),
        (OSError(13, "Permission denied", "/x"), 70, "  where: /x (Permission denied)"),
        (KeyError("gear"), 70, "KeyError: 'gear'"),
        (KeyboardInterrupt(), 130, "stopped from the keyboard"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_whatever_goes_wrong_ends_in_a_code_and_plain_lines(
    raised, code, told, monkeypatch, capsys
):
    def fail(**_):
        raise raised

    monkeypatch.setattr(application, "app", fail)

    assert run(["screen"]) == code
    err = capsys.readouterr().err
    assert told in err
    assert "Traceback" not in err


def test_text_of_an_error_cannot_steer_the_terminal(monkeypatch, capsys):
    def fail(**_):
        raise errors.UsageError("no such log", where="a\x1b[2J.csv")

    monkeypatch.setattr(application, "app", fail)
    run([])

    assert "a\\x1b[2J.csv" in capsys.readouterr().err


def test_an_ascii_console_is_no_failure():
    done = ridecheck("explain", env=os.environ | {"PYTHONIOENCODING": "ascii"})

    assert done.returncode == 0
    assert done.stdout.isascii()


def test_a_reader_who_leaves_early_is_no_failure():
    whole = [sys.executable, "-c", "from ridecheck.cli import main; main()", "explain"]
    with subprocess.Popen(whole, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.close()
        told = process.stderr.read()

    assert told == b""
    assert process.returncode == 0


@pytest.mark.parametrize(
    ("settings", "terminal", "painted"),
    [
        ({}, True, True),
        ({}, False, False),
        ({"NO_COLOR": "1"}, True, False),
        ({"TERM": "dumb"}, True, False),
    ],
)
def test_colour_is_for_terminals_whose_user_did_not_decline(
    settings, terminal, painted, monkeypatch
):
    class Console(io.StringIO):
        def isatty(self):
            return terminal

    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in settings.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "stdout", Console())

    assert application.in_colour() is painted


def test_schema_prints_a_json_schema(capsys):
    assert run(["schema", "layout"]) == 0

    told = json.loads(capsys.readouterr().out)
    assert told["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_a_schema_of_no_known_kind_is_wrong_use(capsys):
    assert run(["schema", "layuot"]) == 2
    assert "layout" in capsys.readouterr().err
