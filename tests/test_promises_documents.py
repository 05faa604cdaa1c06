"""The documents say what is there."""

import re
import shlex

import pytest
import readme
import typer
from project_files import ROOT

from ridecheck.batch.run import screen_fleet
from ridecheck.cli.app import app, run
from ridecheck.setup.demo import copy_sample_fleet

DOCUMENTS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")
PROGRAM = typer.main.get_command(app)
COMMANDS = PROGRAM.commands


def text(name: str) -> str:
    return (ROOT / name).read_text("utf-8")


def calls() -> list[tuple[str, list[str]]]:
    """Every ridecheck command line that stands in a code block of a document."""
    found = []
    for name in DOCUMENTS:
        for block in re.findall(r"^```\w*\n(.*?)^```", text(name), re.DOTALL | re.MULTILINE):
            for line in re.findall(r"^\s*(?:\$ )?(ridecheck [a-z].*)$", block, re.MULTILINE):
                found.append((name, shlex.split(line, comments=True)[1:]))
    return found


@pytest.mark.parametrize("what", readme.WRITTEN)
def test_documents_hold_what_the_program_says(what):
    assert readme.held(what) == readme.made(what), "run `make docs`"


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_shows_an_example_in_its_help(command):
    context = typer.Context(COMMANDS[command], info_name=command)

    shown = COMMANDS[command].get_help(context)

    assert re.search(rf"ridecheck {command}\b", shown.split("Usage:")[-1].split("\n", 1)[1])


def test_every_command_line_in_the_documents_is_one_the_program_knows():
    unknown = []
    for document, (command, *arguments) in calls():
        options = (
            {o for p in COMMANDS[command].params for o in p.opts} if command in COMMANDS else None
        )
        if options is None:
            unknown.append(f"{document}: no command {command}")
            continue
        asked = {a.split("=")[0] for a in arguments if a.startswith("--")}
        unknown += [f"{document}: {command} has no {o}" for o in asked - options]

    assert calls(), "the documents show no command at all"
    assert unknown == []


def test_every_command_named_in_a_sentence_exists():
    named = {
        (name, command)
        for name in DOCUMENTS
        for command in re.findall(r"`ridecheck ([a-z]+)", text(name))
    }

    assert {(name, c) for name, c in named if c not in COMMANDS} == set()


def test_every_make_target_in_the_documents_exists():
    targets = set(re.findall(r"^([a-z-]+):", text("Makefile"), re.MULTILINE))
    asked = {t for name in DOCUMENTS for t in re.findall(r"`make ([a-z-]+)", text(name))}

    assert asked
    assert asked - targets == set()


def test_every_file_the_documents_name_exists():
    named = {
        (name, path)
        for name in DOCUMENTS
        for path in re.findall(
            r"`((?:ridecheck|schemas|pipelines|sample_logs|tests|\.ci)/[\w./-]*)`", text(name)
        )
    }

    assert [f"{name}: {path}" for name, path in sorted(named) if not (ROOT / path).exists()] == []


def test_readme_begins_with_the_job_and_the_two_commands():
    head = text("README.md")[:2500]

    assert head.index("make demo") < head.index("make test")
    assert head.startswith("# ridecheck\n")


def test_the_first_steps_with_an_own_fleet_work_as_written(tmp_path, monkeypatch, capfd):
    lines = [arguments for document, arguments in calls() if document == "README.md"]
    monkeypatch.chdir(tmp_path)

    codes = {" ".join(arguments): run(arguments) for arguments in lines}

    assert len(lines) >= 4
    assert set(codes.values()) == {0}, (codes, capfd.readouterr().err)


def test_what_readme_asks_of_the_index_is_answered(tmp_path, monkeypatch, capfd):
    (program,) = re.findall(r"^```python\n(.*?)^```", text("README.md"), re.DOTALL | re.MULTILINE)
    copy_sample_fleet(tmp_path / "ridecheck-demo")
    screen_fleet(tmp_path / "ridecheck-demo", workers=1)
    monkeypatch.chdir(tmp_path)

    exec(program, {})

    printed = capfd.readouterr().out
    assert "at_kmh" in printed
    assert all(f"H0{n}" in printed for n in range(1, 10))
