"""Readers: what lies in the inbox, what is packed, and each kind of file by its layout."""

from ridecheck.intake.readers.choose import Choice, choose_layout, unknown_bike
from ridecheck.intake.readers.csv_log import read_csv
from ridecheck.intake.readers.inbox import Found, FoundLog, find_logs, found_log, shown_name
from ridecheck.intake.readers.parquet_log import read_parquet
from ridecheck.intake.readers.table import RawTable
from ridecheck.intake.readers.unpack import Member, open_log

__all__ = [
    "Choice",
    "Found",
    "FoundLog",
    "Member",
    "RawTable",
    "choose_layout",
    "find_logs",
    "found_log",
    "open_log",
    "read_csv",
    "read_parquet",
    "shown_name",
    "unknown_bike",
]
