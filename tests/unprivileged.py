"""Run a command as a user with no rights of its own.

The superuser may read and write everything, so a test of rights that runs as root would
pass whatever the program does. Tests of rights run their command through here instead.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path

NOBODY = 65534
"""The number Linux systems give to the user "nobody"."""

CHECKOUT = Path(__file__).resolve().parents[1]


@contextmanager
def open_folder() -> Iterator[Path]:
    """A temporary folder that the unprivileged user owns and can reach.

    pytest's tmp_path will not do: the folders above it are closed to other users.
    """
    folder = Path(tempfile.mkdtemp(prefix="ridecheck-rights-"))
    try:
        if os.geteuid() == 0:
            os.chown(folder, NOBODY, NOBODY)
        yield folder
    finally:
        _give_back_rights(folder)
        shutil.rmtree(folder)


def hand_over(folder: Path) -> None:
    """Make the unprivileged user the owner of a folder and all that is in it."""
    if os.geteuid() == 0:
        for path in (folder, *folder.rglob("*")):
            os.chown(path, NOBODY, NOBODY, follow_symlinks=False)


def run_python(code: str, *, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run Python code as the unprivileged user; the checkout's ridecheck can be imported."""
    return _run(("-c", code), cwd=cwd)


def run_ridecheck(arguments: Sequence[str], *, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run a ridecheck command as the unprivileged user."""
    code = "import sys; from ridecheck.cli import main; sys.exit(main())"
    return _run(("-c", code, *arguments), cwd=cwd)


def _run(arguments: Sequence[str], *, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run Python with arguments, without the rights of root, whoever started the tests."""
    if os.geteuid() != 0:  # already somebody with no special rights
        return _start((sys.executable, *arguments), cwd=cwd)
    return _start((_reachable_python(), *arguments), cwd=cwd, user=NOBODY)


@cache
def _reachable_python() -> str:
    """A Python of this version that the unprivileged user may start and import with.

    Root's own Python often lives under /root, which nobody else can enter; the system's
    Python of the same version can use the same installed libraries.
    """
    version = f"python{sys.version_info.major}.{sys.version_info.minor}"
    candidates = (sys.executable, f"/usr/bin/{version}", f"/usr/local/bin/{version}")
    probe = ("-c", "import polars, ridecheck")
    tried = []
    for python in candidates:
        try:
            done = _start((python, *probe), cwd=Path("/"), user=NOBODY)
        except OSError as error:
            tried.append(f"{python}: {error.strerror}")
            continue
        if done.returncode == 0:
            return python
        tried.append(f"{python}: {done.stderr.strip().splitlines()[-1:]}")
    raise AssertionError(
        "tests of rights need a Python, and a checkout, that user 65534 can read; "
        f"tried {'; '.join(tried)}. Make the environment with such a Python: "
        "make clean, then make test PYTHON=/usr/bin/python3"
    )


def _start(
    command: Sequence[str], *, cwd: Path, user: int | None = None
) -> subprocess.CompletedProcess[str]:
    identity: Mapping[str, object] = (
        {} if user is None else {"user": user, "group": user, "extra_groups": []}
    )
    libraries = [p for p in sys.path if p.endswith("site-packages")]  # not this Python's own
    environment = {
        "HOME": str(cwd),
        "LANG": "C.UTF-8",
        "PATH": "/usr/bin:/bin",
        "PYTHONDONTWRITEBYTECODE": "1",
        "PYTHONPATH": os.pathsep.join([str(CHECKOUT), *libraries]),
    }
    return subprocess.run(  # type: ignore[call-overload]
        command,
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=300,
        check=False,
        **identity,
    )


def _give_back_rights(folder: Path) -> None:
    """A test may have taken its own rights away; without them it cannot be removed."""
    folder.chmod(0o700)
    for path in folder.rglob("*"):
        if path.is_dir() and not path.is_symlink():
            path.chmod(0o700)
