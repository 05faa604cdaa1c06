"""Errors a user can act on: what is wrong, where (with the value), what to do."""


class RidecheckError(Exception):
    """Base of every error that is reported to a user in three parts."""

    def __init__(
        self, what: str, *, where: str = "", value: str = "", what_to_do: str = ""
    ) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.value = value
        self.what_to_do = what_to_do

    def __str__(self) -> str:
        place = self.where + (f" ({self.value})" if self.value else "")
        lines = [self.what]
        if place:
            lines.append(f"  where: {place.strip()}")
        if self.what_to_do:
            lines.append(f"  do: {self.what_to_do}")
        return "\n".join(lines)

    def __reduce__(self) -> tuple[object, ...]:
        """Keyword arguments survive the way back from a worker process."""
        return (_rebuild, (type(self), self.what, self.where, self.value, self.what_to_do))


def _rebuild(
    kind: type[RidecheckError], what: str, where: str, value: str, what_to_do: str
) -> RidecheckError:
    return kind(what, where=where, value=value, what_to_do=what_to_do)


class UsageError(RidecheckError):
    """A command was asked for something it cannot do (exit 2)."""


class FleetError(RidecheckError):
    """A fleet file is wrong; raised for fleet.toml, which stops the run (exit 2)."""


class LogError(RidecheckError):
    """One log cannot be used; it is set aside and the batch goes on."""


class FleetBusy(RidecheckError):  # noqa: N818 - it says what is, not what failed
    """Another run holds the fleet folder (exit 4)."""


class BrokenOff(RidecheckError):  # noqa: N818 - likewise
    """The fleet folder cannot be written; the run stopped half-way (exit 70)."""
