"""Files that travel with the program but hold no code."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parents[1]


def shipped(*parts: str) -> Path:
    """Path of a shipped file or folder, in an installed wheel or in a checkout.

    >>> shipped("schemas", "channels.toml").is_file()
    True
    """
    inside = _PACKAGE / "_data" / Path(*parts)
    return inside if inside.exists() else _PACKAGE.parent / Path(*parts)
