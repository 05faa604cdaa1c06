"""Which known name somebody may have meant."""

from collections.abc import Iterable
from difflib import get_close_matches


def nearest_name(name: object, known: Iterable[str]) -> str:
    """The known name that looks most like this one, "" where none does."""
    found = nearest_names(name, known, cutoff=0.6) if isinstance(name, str) else ()
    return found[0] if found else ""


def nearest_names(name: str, known: Iterable[str], *, cutoff: float = 0.5) -> tuple[str, ...]:
    """Up to three known names that look like this one, the likest first, case apart."""
    by_fold = {k.casefold(): k for k in known if k}
    found = get_close_matches(name.casefold(), by_fold, n=3, cutoff=cutoff)
    return tuple(by_fold[fold] for fold in found)
