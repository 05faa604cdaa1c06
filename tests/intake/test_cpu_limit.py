"""A log has a limit of CPU time; stopped by it, it is tried again by the next run."""

import os
import time
from pathlib import Path

import pytest
from folders import Folder, day, verdicts

from ridecheck.core.cpu_limit import OutOfTime, cpu_limit
from ridecheck.core.errors import LogError
from ridecheck.intake import keep
from ridecheck.intake.read import Reading
from ridecheck.intake.readers import open_log


def works(cpu_s: float) -> None:
    """Use CPU time, as a slow reader does."""
    until = time.process_time() + cpu_s
    while time.process_time() < until:
        sum(range(1000))


def test_work_beyond_the_limit_is_stopped_and_waiting_is_not_counted() -> None:
    with cpu_limit(0.05):
        time.sleep(0.1)
    with pytest.raises(OutOfTime), cpu_limit(0.05):
        works(5)
    works(0.1)  # the limit is off again


class Slow(Reading):
    """Reads one log of two slowly."""

    def parts(self):
        if "slow" in self._member.name:
            works(5)
        return super().parts()


def test_a_log_that_takes_too_long_holds_its_bike_and_is_tried_again(tmp_path, monkeypatch) -> None:
    folder = Folder(tmp_path / "fleet", ("T01", "T02"))
    folder.add("fleet.toml", "[reading]\ncpu_s = 1.5\ncpu_s_per_mb = 0\n")
    folder.ride(day(0), "T01")
    folder.ride(day(0), "T02")
    folder.ride(day(1), "T01", name="T01_slow.csv")
    with monkeypatch.context() as patch:
        patch.setattr(keep, "Reading", Slow)
        stopped = folder.screen()
    again = folder.screen()
    (record,) = stopped.report.set_aside

    assert verdicts(stopped) == {"T01": "no_opinion", "T02": "release"}
    assert record.what.startswith("Reading the log took more CPU time than is allowed")
    assert record.value.startswith("more than 1.5 s for 0.")
    assert verdicts(again) == {"T01": "release", "T02": "release"}
    assert again.report.set_aside == ()


def test_a_pipe_is_refused_without_being_opened(tmp_path) -> None:
    pipe = tmp_path / "T01.csv"
    os.mkfifo(pipe)
    with pytest.raises(LogError) as caught:
        list(open_log(pipe))

    assert (caught.value.what, caught.value.value) == (
        "This is no file that holds a log",
        "a named pipe",
    )


def test_a_device_is_refused() -> None:
    with pytest.raises(LogError) as caught:
        list(open_log(Path("/dev/zero")))

    assert caught.value.value == "a device"
