"""Run a command as a user with no rights of its own.

The superuser may read and write everything, so a test of rights that runs as root would
pass whatever the program does. Tests of rights run their command through here instead.
"""

import atexit
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
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
        own = _Place(sys.executable, CHECKOUT, tuple(_libraries()))
        return _start(own, arguments, cwd=cwd)
    return _start(_reachable(), arguments, cwd=cwd, user=NOBODY)


@dataclass(frozen=True, slots=True)
class _Place:
    """A Python, a checkout and installed libraries."""

    python: str
    checkout: Path
    libraries: tuple[Path, ...]


@cache
def _reachable() -> _Place:
    """A place that the unprivileged user may start and import from.

    Root's own Python often lives under /root, and a checkout may lie in a folder that is
    closed to others. Then the system's Python of the same version is tried, and a copy of
    the checkout and of its libraries, by hard links where the disk allows it.
    """
    version = f"python{sys.version_info.major}.{sys.version_info.minor}"
    pythons = (sys.executable, f"/usr/bin/{version}", f"/usr/local/bin/{version}")
    tried = []
    here = _Place("", CHECKOUT, tuple(_libraries()))
    for make in (lambda: here, _open_copy):
        place = make()
        for python in (*pythons, str(place.checkout / "python" / "bin" / version)):
            candidate = replace(place, python=python)
            try:
                done = _start(
                    candidate, ("-c", "import polars, ridecheck"), cwd=Path("/"), user=NOBODY
                )
            except OSError as error:
                tried.append(f"{python}: {error.strerror}")
                continue
            if done.returncode == 0:
                return candidate
            tried.append(f"{python}: {done.stderr.strip().splitlines()[-1:]}")
    raise AssertionError(
        "tests of rights need a Python that user 65534 can start; "
        f"tried {'; '.join(tried)}. Make the environment with such a Python: "
        "make clean, then make test PYTHON=/usr/bin/python3"
    )


def _libraries() -> list[Path]:
    """Folders of installed libraries; not this Python's own, which another Python cannot use."""
    return [Path(p) for p in sys.path if p.endswith("site-packages")]


def _open_copy() -> _Place:
    """The checkout, its libraries and this Python in a folder that everybody can read."""
    folder = Path(tempfile.mkdtemp(prefix="ridecheck-open-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    folder.chmod(0o755)
    for name in ("ridecheck", "schemas", "pipelines", "sample_logs"):
        _copy(CHECKOUT / name, folder / name)
    libraries = _libraries()
    for n, library in enumerate(libraries):
        _copy(library, folder / f"libraries-{n}")
    _copy(Path(sys.base_prefix) / "bin", folder / "python" / "bin")
    version = f"python{sys.version_info.major}.{sys.version_info.minor}"
    _copy(Path(sys.base_prefix) / "lib" / version, folder / "python" / "lib" / version)
    return _Place("", folder, tuple(folder / f"libraries-{n}" for n in range(len(libraries))))


def _copy(source: Path, target: Path) -> None:
    """Copy a folder, by hard links where source and target are on one disk."""
    left_out = shutil.ignore_patterns("__pycache__", "site-packages", "test", "tests")
    same_disk = source.stat().st_dev == target.parents[-2].stat().st_dev
    copy = os.link if same_disk else shutil.copy2
    shutil.copytree(source, target, copy_function=copy, ignore=left_out, symlinks=True)


def _start(
    place: _Place, arguments: Sequence[str], *, cwd: Path, user: int | None = None
) -> subprocess.CompletedProcess[str]:
    identity: Mapping[str, object] = (
        {} if user is None else {"user": user, "group": user, "extra_groups": []}
    )
    environment = {
        "HOME": str(cwd),
        "LANG": "C.UTF-8",
        "PATH": "/usr/bin:/bin",
        "PYTHONDONTWRITEBYTECODE": "1",
        "PYTHONPATH": os.pathsep.join(map(str, (place.checkout, *place.libraries))),
    }
    return subprocess.run(  # type: ignore[call-overload]
        (place.python, *arguments),
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
