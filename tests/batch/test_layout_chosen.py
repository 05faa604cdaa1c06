"""Which layout a log is read by today is part of what makes its reading fresh."""

from folders import CHANNELS, HELD_ON, Folder, day, layout, verdicts

from ridecheck.batch.forgetting import rebuild

BENCH = layout(CHANNELS)
CRUISE = ("cruise_engaged",)


def wrong_first(tmp_path) -> Folder:
    """A ride with a danger, read by a layout that leaves the cruise out."""
    folder = Folder(tmp_path / "fleet")
    folder.write("layouts/bench.toml", layout([c for c in CHANNELS if c not in CRUISE]))
    folder.ride(day(0))
    folder.ride(day(1), **HELD_ON)
    assert verdicts(folder.screen())["T01"] != "keep_in"
    return folder


def test_mending_the_layout_reads_its_logs_again(tmp_path):
    folder = wrong_first(tmp_path)
    folder.write("layouts/bench.toml", BENCH)

    assert verdicts(folder.screen()) == {"T01": "keep_in"}


def test_naming_another_layout_in_the_bikes_file_reads_its_logs_again(tmp_path):
    folder = wrong_first(tmp_path)
    folder.write("layouts/right.toml", BENCH)
    folder.add("bikes/T01.toml", 'layout = "right"\n')
    outcome = folder.screen()

    assert verdicts(outcome) == {"T01": "keep_in"}
    assert outcome.rides_judged == 2


def test_a_layout_that_maps_more_and_came_later_reads_the_logs_again(tmp_path):
    folder = wrong_first(tmp_path)
    folder.write("layouts/right.toml", BENCH)

    assert verdicts(folder.screen()) == {"T01": "keep_in"}


def test_rebuild_and_verify_do_not_bring_the_old_reading_back(tmp_path):
    folder = wrong_first(tmp_path)
    folder.write("layouts/right.toml", BENCH)
    folder.add("bikes/T01.toml", 'layout = "right"\n')
    rebuild(folder.root)

    assert verdicts(folder.screen()) == {"T01": "keep_in"}


def test_a_bikes_layout_that_fits_no_more_sets_its_logs_aside(tmp_path):
    folder = Folder(tmp_path / "fleet")
    folder.ride(day(0))
    folder.write("layouts/other.toml", BENCH.replace('column = "front_brake"', 'column = "FB"', 1))
    folder.screen()
    folder.add("bikes/T01.toml", 'layout = "other"\n')
    outcome = folder.screen()

    assert verdicts(outcome) == {"T01": "no_opinion"}
    assert "other, the layout that T01 names" in outcome.report.set_aside[0].what
    assert outcome.report.set_aside[0].value == 'missing "FB"'


def test_a_layout_a_person_stated_stays(tmp_path):
    folder = Folder(tmp_path / "fleet")
    log = folder.ride(day(0))
    folder.write("layouts/few.toml", layout([c for c in CHANNELS if c != "front_brake"]))
    folder.screen(logs=[log], layout="few")
    folder.add("layouts/bench.toml", "# a remark\n")
    outcome = folder.screen()
    (ride,) = outcome.report.bikes[0].rides

    assert "front_brake" not in ride.channels
