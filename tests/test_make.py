"""A machine that cannot set ridecheck up is told so in one plain sentence."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from project_files import ROOT

OLD = '#!/bin/sh\ncase "$*" in *version_info*) exit 1;; esac\n'
NO_VENV = '#!/bin/sh\ncase "$*" in *ensurepip*) exit 1;; esac\n'


def make(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run make on a copy of the Makefile, where no environment has been set up."""
    shutil.copy(ROOT / "Makefile", folder)
    return subprocess.run(
        ["make", "--no-print-directory", *arguments],
        cwd=folder,
        env={k: v for k, v in os.environ.items() if not k.startswith(("MAKE", "MFLAGS"))},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("target", ["demo", "test"])
@pytest.mark.parametrize(
    ("stand_in", "told"),
    [(OLD, "needs Python 3.11 or newer"), (NO_VENV, "has no venv module"), (None, "not found")],
    ids=["old Python", "no venv module", "no Python"],
)
def test_what_is_missing_is_told_in_one_sentence(tmp_path, target, stand_in, told):
    python = tmp_path / "python3"
    if stand_in:
        python.write_text(stand_in, "utf-8")
        python.chmod(0o755)

    done = make(tmp_path, target, f"PYTHON={python}")

    sentences = [line for line in done.stderr.splitlines() if not line.startswith("make")]
    assert done.returncode != 0
    assert len(sentences) == 1
    assert told in sentences[0]
    assert not (tmp_path / ".venv").exists()


def test_help_names_the_two_commands(tmp_path):
    done = make(tmp_path, "help")

    assert done.returncode == 0
    assert "make demo" in done.stdout
    assert "make test" in done.stdout
