"""The fleet folder's files, read and checked: fleet, models, bikes, layouts."""

from ridecheck.fleet.files import VerdictTable
from ridecheck.fleet.layout import (
    Column,
    FileTable,
    GearColumn,
    Layout,
    NumberColumn,
    SwitchColumn,
    TimeColumn,
    same_cell,
)
from ridecheck.fleet.limits import KnownLimits
from ridecheck.fleet.load import Bike, Fleet, Model, load_fleet, read_layout, read_settings
from ridecheck.fleet.mistakes import Mistake
from ridecheck.fleet.schema import json_schema
from ridecheck.fleet.time_format import TIME_WORDS

__all__ = [
    "TIME_WORDS",
    "Bike",
    "Column",
    "FileTable",
    "Fleet",
    "GearColumn",
    "KnownLimits",
    "Layout",
    "Mistake",
    "Model",
    "NumberColumn",
    "SwitchColumn",
    "TimeColumn",
    "VerdictTable",
    "json_schema",
    "load_fleet",
    "read_layout",
    "read_settings",
    "same_cell",
]
