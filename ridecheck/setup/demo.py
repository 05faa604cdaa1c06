"""The shipped sample fleet, copied to where a user can look at it."""

from pathlib import Path

from ridecheck.core.errors import UsageError
from ridecheck.core.files import write_whole
from ridecheck.core.resources import shipped

MARK = ".ridecheck-demo"
"""A file that marks a folder as a copy of the sample fleet."""


def copy_sample_fleet(folder: Path) -> None:
    """Copy the sample fleet to a folder that is new, empty, or an earlier copy.

    A file that begins with what is shipped is left alone, so that events noted in a bike's
    file stay. Raises UsageError where the folder holds anything else.
    """
    sample = shipped("sample_logs")
    if folder.exists() and not folder.is_dir():
        raise _refused(folder, "it is a file")
    present = {p.name for p in folder.iterdir()} if folder.is_dir() else set()
    if present and MARK not in present:
        raise _refused(folder, "it holds other files")
    write_whole(folder / MARK, b"A copy of the sample fleet. It may be deleted.\n")
    for source in sorted(p for p in sample.rglob("*") if p.is_file()):
        target = folder / source.relative_to(sample)
        content = source.read_bytes()
        if not (target.is_file() and target.read_bytes().startswith(content)):
            write_whole(target, content)


def _refused(folder: Path, why: str) -> UsageError:
    return UsageError(
        "the sample fleet is not copied here",
        where=str(folder),
        value=why,
        what_to_do="name a folder that is new or empty: ridecheck demo DIR",
    )
