"""How one logger set-up writes its files: ``layouts/<layout>.toml``."""

import codecs
import json
import math
import re
import warnings
from collections.abc import Mapping
from functools import cached_property, partial
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    PrivateAttr,
    WithJsonSchema,
    create_model,
    field_validator,
)
from pydantic_core.core_schema import ValidationInfo

from ridecheck.core.catalog import Channel, channels
from ridecheck.core.names import nearest_name
from ridecheck.core.strict_toml import (
    BIKE_ID,
    BIKE_ID_RULE,
    Table,
    TimeZone,
    as_tuple,
    one_of,
    wrong,
)
from ridecheck.core.units import UnitError, to_channel_unit, units_for
from ridecheck.fleet.time_format import check_time_format

MOST_SKEW_S = 1.0
"""Skew widens the windows of danger rules, so a layout cannot state any amount of it."""

_ENCODINGS = ("utf-8", "utf-16", "cp1252", "latin-1", "shift_jis", "gb18030")


# ---------------------------------------------------------------- words and texts


_CELL_TYPES = ["string", "number", "boolean"]


def _cell_text(value: Any) -> Any:
    """A word as a cell would hold it: 1 and true may be written without quotes."""
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, int | float) else value


def _cell_texts(value: Any) -> Any:
    values = value if isinstance(value, list | tuple) else [value]
    return tuple(_cell_text(v) for v in values)


def same_cell(text: str) -> str:
    """A word as compared: without case and outer blanks, a number by its value."""
    try:
        number = float(text)
    except ValueError:
        return text.strip().casefold()
    return repr(number + 0.0) if math.isfinite(number) else text.strip().casefold()


Words = Annotated[
    tuple[str, ...],
    BeforeValidator(_cell_texts),
    WithJsonSchema(
        {"anyOf": [{"type": "array", "items": {"type": _CELL_TYPES}}, {"type": _CELL_TYPES}]}
    ),
]


def _pattern(text: str, *, groups: tuple[str, ...]) -> str:
    needed = ", ".join(f"(?P<{g}>...)" for g in groups)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about notation that may change its meaning
            compiled = re.compile(text)
    except (re.error, OverflowError, RecursionError) as error:
        raise wrong(f"not a regular expression: {error}", f"with {needed}") from None
    missing = [g for g in groups if g not in compiled.groupindex]
    if text and missing:
        raise wrong(f"no group named {missing[0]}", f"needed: {needed}")
    return text


# ---------------------------------------------------------------- the file as a whole


class FileTable(Table):
    """``[file]``: what kind of file it is, how it is written, how it names its bike."""

    kind: Literal["csv", "parquet"]
    separator: Literal["auto", ",", ";", "\t", "|", "spaces"] = "auto"
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ",", ".", " ", "'", "\u2019", "_", "\u00a0", "\u202f"] = ""
    shape: Literal["wide", "long"] = "wide"
    name_column: str = Field("", validate_default=True)
    value_column: str = Field("", validate_default=True)
    encoding: str = "utf-8"
    skip_lines: int = Field(0, ge=0)
    units_row: bool = False
    time_zone: TimeZone = "UTC"
    start_pattern: Annotated[str, AfterValidator(partial(_pattern, groups=("date", "time")))] = ""
    bike_from: Literal["name", "column", "folder", "fixed"] | None = None
    bike_pattern: Annotated[str, AfterValidator(partial(_pattern, groups=("bike",)))] = Field(
        "", validate_default=True
    )
    bike_column: str = Field("", validate_default=True)
    bike: str = Field("", validate_default=True)

    @field_validator("decimal")
    @classmethod
    def _decimal_is_no_separator(cls, value: str, info: ValidationInfo) -> str:
        if value == info.data.get("separator"):
            raise wrong("the same mark separates the columns", "another decimal or separator")
        return value

    @field_validator("thousands")
    @classmethod
    def _thousands_stand_apart(cls, value: str, info: ValidationInfo) -> str:
        separator = info.data.get("separator")
        if value and value in (info.data.get("decimal"), separator):
            raise wrong("the same mark is the decimal mark or separator", "another mark")
        if value == " " and separator == "spaces":
            raise wrong("spaces separate the columns", "another mark")
        return value

    @field_validator("name_column", "value_column")
    @classmethod
    def _long_tables_name_their_columns(cls, value: str, info: ValidationInfo) -> str:
        shape = info.data.get("shape")
        if shape == "long" and not value.strip():
            raise wrong('needed with shape = "long"', "the column that holds it")
        if shape == "wide" and value:
            raise wrong('used only with shape = "long"', 'leave it out, or shape = "long"')
        return value

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            "".encode(value)
            codecs.lookup(value)
        except (LookupError, ValueError):
            near = nearest_name(value, _ENCODINGS)
            raise wrong(
                "encoding not known", f"such as {', '.join(_ENCODINGS)}", nearest=near
            ) from None
        return value

    @field_validator("bike_pattern", "bike_column", "bike")
    @classmethod
    def _goes_with_bike_from(cls, value: str, info: ValidationInfo) -> str:
        if "bike_from" not in info.data:
            return value  # that key is wrong itself
        chosen = info.data["bike_from"]
        users = _BIKE_FROM[info.field_name or ""]
        words = " or ".join(f'"{u}"' for u in users)
        if chosen in users and not value:
            raise wrong(f'needed with bike_from = "{chosen}"', _BIKE_FROM_HINT)
        if value and chosen not in users:
            raise wrong(f"used only with bike_from = {words}", _BIKE_FROM_HINT)
        if info.field_name == "bike" and value and not BIKE_ID.fullmatch(value):
            raise wrong("not a bike id", BIKE_ID_RULE)
        return value


_BIKE_FROM = {"bike_pattern": ("name", "folder"), "bike_column": ("column",), "bike": ("fixed",)}
_BIKE_FROM_HINT = (
    "name or folder with bike_pattern, column with bike_column, fixed with bike, "
    "or none of them: the file or folder name begins with the bike id"
)


# ---------------------------------------------------------------- columns


def _one_or_two(value: Any) -> Any:
    return (value,) if isinstance(value, str) else as_tuple(value)


ColumnName = Annotated[str, Field(min_length=1)]
"""As the header writes it; a line break inside quotes belongs to a name."""


class TimeColumn(Table):
    """``[columns.time]``: one column, or a date and a time column, and how it is written.

    column: one name or two. format None: iso8601, else the log is set aside.
    """

    column: Annotated[
        tuple[ColumnName, ...],
        BeforeValidator(_one_or_two),
        Field(min_length=1, max_length=2),
        WithJsonSchema(
            {
                "anyOf": [
                    {"type": "string", "minLength": 1},
                    {"type": "array", "items": {"type": "string"}, "minItems": 1, "maxItems": 2},
                ]
            }
        ),
    ]
    format: Annotated[str, AfterValidator(check_time_format)] | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """The names, as more than one may stand under ``column``."""
        return self.column


class Column(Table):
    """What every mapped column may state.

    missing: words for "no value" beside the usual. refresh_s: how often the logger asks
    for this channel, where rows come faster. skew_s: how late it may be against others.
    """

    column: ColumnName
    missing: Words = ()
    optional: bool = False
    refresh_s: float | None = Field(None, gt=0, le=3600)
    skew_s: float = Field(0.0, ge=0, le=MOST_SKEW_S)


class NumberColumn(Column):
    """A column of numbers: value = (raw x scale + offset) in ``unit``."""

    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0

    @field_validator("scale")
    @classmethod
    def _scale_is_not_zero(cls, value: float) -> float:
        if value == 0:
            raise wrong("every value would be the same", "a number other than 0")
        return value

    @property
    def to_channel(self) -> tuple[float, float]:
        """Scale and offset that turn the raw number into the channel's own unit."""
        unit_scale, unit_offset = to_channel_unit(self.unit, self.stored_unit)
        return self.scale * unit_scale, self.offset * unit_scale + unit_offset

    @property
    def stored_unit(self) -> str:
        """The unit the channel is kept in."""
        return str(type(self).model_fields["unit"].default)

    @property
    def unit_stated(self) -> bool:
        """Whether the layout names the unit, or leaves it to be the channel's own."""
        return "unit" in self.model_fields_set


class SwitchColumn(Column):
    """A switch as words, or as a voltage that means "on" above ``on_above``.

    on, off both empty: the usual pairs of words.
    """

    on: Words = ()
    off: Words = Field((), validate_default=True)
    on_above: float | None = None
    inverted: bool = False
    latched: bool = False

    @field_validator("off")
    @classmethod
    def _on_and_off_are_a_pair(
        cls, value: tuple[str, ...], info: ValidationInfo
    ) -> tuple[str, ...]:
        on = info.data.get("on")
        if on is None:
            return value
        if bool(on) != bool(value):
            raise wrong("on and off come together", "words for both, or for neither")
        _all_different("on", on, value)
        _all_different("missing", info.data.get("missing", ()), (*on, *value))
        return value

    @field_validator("on_above")
    @classmethod
    def _words_or_a_voltage(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is not None and (info.data.get("on") or info.data.get("off")):
            raise wrong("a switch is either words or a voltage", "on and off, or on_above")
        return value


class GearColumn(Column):
    """The gear: numbers, "N", or words of its own."""

    words: dict[str, int] = Field(default_factory=dict)

    @field_validator("words")
    @classmethod
    def _words_are_gears(cls, value: dict[str, int]) -> dict[str, int]:
        top = int(channels()["gear"].maximum or 0)
        for word, gear in value.items():
            if not 0 <= gear <= top:
                raise wrong("no such gear", f"0 for neutral, 1 to {top}", at=(word,))
        return value


def _all_different(key: str, words: tuple[str, ...], others: tuple[str, ...]) -> None:
    taken = {same_cell(w) for w in words}
    if both := [w for w in others if same_cell(w) in taken]:
        raise wrong(f'"{both[0]}" stands under {key} too', "each word once")


def _column_for(channel: Channel) -> type[Column]:
    """The kind of column a channel may be mapped onto; numbers know their unit."""
    if channel.kind == "switch":
        return SwitchColumn
    if channel.kind == "integer":
        return GearColumn
    return _number_column(channel.unit)


def _number_column(channel_unit: str) -> type[Column]:
    def fits(text: str) -> str:
        try:
            to_channel_unit(text, channel_unit)
        except UnitError as error:
            units = [u.name for u in units_for(channel_unit)]
            near = nearest_name(text, units)
            raise wrong(error.what, one_of(units), nearest=near) from None
        return text

    name = f"NumberColumn_{''.join(c if c.isalnum() else '_' for c in channel_unit)}"
    if name not in globals():
        unit: Any = (Annotated[str, AfterValidator(fits)], channel_unit)
        # Classes made here must be found again by name when a fleet goes to a worker.
        globals()[name] = create_model(name, __base__=NumberColumn, __module__=__name__, unit=unit)
    made: type[Column] = globals()[name]
    return made


if TYPE_CHECKING:

    class ColumnsTable(Table):
        """What ``create_model`` makes below, as far as a type checker needs to know."""

        time: TimeColumn

else:
    ColumnsTable = create_model(
        "ColumnsTable",
        __base__=Table,
        __module__=__name__,
        __doc__="``[columns]``: the time, and one table a channel.",
        time=(TimeColumn, ...),
        **{name: (_column_for(channel) | None, None) for name, channel in channels().items()},
    )


class Layout(Table):
    """A layout file. name: the file's stem, "" until it is given."""

    file: FileTable
    columns: ColumnsTable

    _name: str = PrivateAttr("")

    @property
    def name(self) -> str:
        """What bikes call it."""
        return self._name

    def named(self, name: str) -> Self:
        """The same layout under a name."""
        copy = self.model_copy()
        copy._name = name
        return copy

    @property
    def time(self) -> TimeColumn:
        """The time column, or the two."""
        return self.columns.time

    @cached_property
    def channels(self) -> Mapping[str, Column]:
        """The mapped channels, in the order of the catalogue."""
        columns = {name: getattr(self.columns, name) for name in channels()}
        return {name: column for name, column in columns.items() if column is not None}

    def fingerprint(self) -> str:
        """All the file says, as canonical JSON: what a stored part was read with.

        Comments, the order of keys and the layout's name change nothing. Keys that are not
        written are left out, so that a key of a later version changes nothing either.
        """
        said = self.model_dump(mode="json", exclude_unset=True)
        return json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def columns_used_twice(layout: Layout) -> Mapping[str, str]:
    """Channels whose column is an earlier channel's (or the time's) too, and whose.

    Two channels read from one column always agree, which would look like two witnesses.
    """
    is_long = layout.file.shape == "long"  # its channels are values of a column, not columns
    owners = {} if is_long else {_bare(c): "time" for c in layout.time.columns}
    twice = {}
    for name, column in layout.channels.items():
        owner = owners.setdefault(_bare(column.column), name)
        if owner != name:
            twice[name] = owner
    return twice


def _bare(column: str) -> str:
    """A column's name as a reader compares it: without outer blanks and quotes."""
    return column.strip(" \t\"'")
