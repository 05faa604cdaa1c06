"""What a terminal, a page or a table can be trusted with. Light: imported for every error."""

import unicodedata

ASCII = str.maketrans(
    {"–": "-", "—": "-", "−": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "…": "...", "·": "-"}
)


def shown(text: str) -> str:
    """Text from a file or a person, with whatever could steer a terminal spelled out.

    Control characters, and marks that turn or hide text, become their escapes.

    >>> shown("grey\\x1b[31m")
    'grey\\\\x1b[31m'
    """
    if text.isprintable():
        return text
    return "".join(_escaped(c) if _steers(c) else c for c in text)


def _steers(character: str) -> bool:
    return unicodedata.category(character) in ("Cc", "Cf", "Cs", "Zl", "Zp", "Co", "Cn")


def _escaped(character: str) -> str:
    return character.encode("unicode_escape", "surrogatepass").decode("ascii")


def in_ascii(text: str) -> str:
    """Text for a console that knows ASCII alone: accents dropped, the rest escaped.

    >>> in_ascii("Número – 漢")
    'Numero - \\\\u6f22'
    """
    plain = unicodedata.normalize("NFKD", text.translate(ASCII))
    kept = "".join(c for c in plain if not unicodedata.combining(c))
    return kept.encode("ascii", "backslashreplace").decode("ascii")
