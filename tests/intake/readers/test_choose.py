"""Which layout a log is in, and which bike it belongs to."""

import pytest
from logs import fleet, layout, member, table

from ridecheck.core.errors import LogError
from ridecheck.fleet import Layout
from ridecheck.intake.read import take_in

TEXT = "t,v,rpm,fb\n0.0,50,3000,0\n0.1,51,3010,1\n"
NARROW = layout(wheel_speed="v")
WIDE = layout(wheel_speed="v", engine_speed="rpm")
OTHER = layout(gps_speed="v", engine_speed="rpm")
FAR = layout(wheel_speed="speed")


def chosen(layouts: dict[str, Layout], name: str = "T07_x.csv", **more) -> tuple[str, str]:
    """Layout and bike of a log."""
    how = {n: candidate.named(n) for n, candidate in layouts.items()}
    bikes = more.pop("bikes", {"T07": None})
    (part,) = take_in(member(more.pop("text", TEXT), name), fleet(how, **bikes), **more)
    return part.info.layout, part.info.bike


def refused(layouts: dict[str, Layout], name: str = "T07_x.csv", **more) -> LogError:
    with pytest.raises(LogError) as caught:
        chosen(layouts, name, **more)
    assert caught.value.where
    assert caught.value.what_to_do
    return caught.value


def test_the_bikes_own_layout_wins_over_one_that_maps_more() -> None:
    layouts = {"narrow": NARROW, "wide": WIDE}

    assert chosen(layouts, bikes={"T07": "narrow"}) == ("narrow", "T07")
    assert chosen(layouts, bikes={"T07": None}) == ("wide", "T07")


def test_a_bike_that_names_its_layout_is_read_by_that_one_only() -> None:
    layouts = {"narrow": NARROW, "far": FAR}
    error = refused(layouts, bikes={"T07": "far"})

    assert error.what.startswith("The log does not fit far, the layout that T07 names: ")
    assert error.value == 'missing "speed"'
    assert "bikes/T07.toml" in error.what_to_do
    assert chosen(layouts, bikes={"T07": "far"}, layout="narrow") == ("narrow", "T07")


def test_where_no_layout_fits_the_bikes_own_is_blamed() -> None:
    nearly = layout(wheel_speed="v", engine_speed="RPM")
    error = refused({"far": FAR, "nearly": nearly}, bikes={"T07": "far"})

    assert "far, the layout that T07 names" in error.what


def test_a_layout_file_with_a_mistake_is_not_a_missing_layout() -> None:
    error = refused({"narrow": NARROW}, bikes={"T07": "bench"})

    assert error.what == "The layout of T07 cannot be used"
    assert "Correct the mistakes in layouts/bench.toml" in error.what_to_do


def test_a_stated_layout_is_taken_as_it_is() -> None:
    layouts = {"narrow": NARROW, "wide": WIDE}

    assert chosen(layouts, layout="narrow") == ("narrow", "T07")
    assert chosen(layouts, layout=OTHER.named("by hand")) == ("by hand", "T07")
    assert "no such layout" in refused(layouts, layout="naro").what
    assert "Did you mean narrow" in refused(layouts, layout="narow").what_to_do


def test_a_tie_is_refused_naming_both() -> None:
    error = refused({"one": WIDE, "two": OTHER, "three": NARROW})

    assert "Two layouts fit" in error.what
    assert error.value == "one and two"


def test_optional_columns_that_are_there_count() -> None:
    with_brake = layout(
        wheel_speed="v", engine_speed="rpm", front_brake={"column": "fb", "optional": True}
    )
    absent = layout(
        wheel_speed="v", engine_speed="rpm", rear_brake={"column": "rb", "optional": True}
    )

    assert chosen({"with": with_brake, "absent": absent}) == ("with", "T07")


def test_kind_and_separator_must_fit_too() -> None:
    semicolon = layout(wheel_speed="v", engine_speed="rpm", file_separator=";")
    parquet = layout(wheel_speed="v", engine_speed="rpm", kind="parquet")

    assert chosen({"semicolon": semicolon, "parquet": parquet, "narrow": NARROW})[0] == "narrow"


def test_where_none_fits_the_nearest_is_named_with_what_it_lacks() -> None:
    error = refused({"far": FAR, "nearly": layout(wheel_speed="v", engine_speed="RPM")})

    assert "nearest is nearly" in error.what
    assert error.value == 'missing "RPM"'
    assert 'nearest to "RPM": "rpm"' in error.what_to_do


def test_a_fleet_without_layouts_says_so() -> None:
    assert "no layout" in refused({}).what


@pytest.mark.parametrize(
    ("name", "bike"),
    [
        ("T07.csv", "T07"),
        ("T07_ride.csv", "T07"),
        ("t07-ride.csv", "T07"),
        ("T07 ride.csv", "T07"),
        ("T07/ride.csv", "T07"),
        ("2026/T07_may/ride.csv", "T07"),
        ("T071.csv", "T071"),
        ("T07-B_1.csv", "T07-B"),
        ("T08/T07.csv", "T07"),
    ],
)
def test_the_longest_id_that_begins_the_name_is_the_bike(name: str, bike: str) -> None:
    bikes = {"T07": None, "T071": None, "T07-B": None, "T08": None, "T": None}

    assert chosen({"wide": WIDE}, name, bikes=bikes) == ("wide", bike)


@pytest.mark.parametrize("name", ["T072.csv", "xT07.csv", "ride.csv"])
def test_a_name_without_a_known_bike_is_refused_with_the_nearest(name: str) -> None:
    assert refused({"wide": WIDE}, name).what.startswith("unknown bike")


def test_an_unknown_bike_is_named_with_the_nearest() -> None:
    assert refused({"wide": WIDE}, "T70_x.csv").what == "unknown bike T70, nearest T07"
    assert refused({"wide": WIDE}, bike="T99").what == "unknown bike T99, nearest T07"


def test_a_stated_bike_overrides_the_name() -> None:
    assert chosen({"wide": WIDE}, "T07_x.csv", bikes={"T07": None, "T08": None}, bike="T08") == (
        "wide",
        "T08",
    )


def test_a_pattern_finds_the_bike_in_the_name() -> None:
    how = layout(
        wheel_speed="v", file_bike_from="name", file_bike_pattern=r"^log_(?P<bike>[A-Z]\d+)_"
    )

    assert chosen({"wide": how}, "log_T07_x.csv") == ("wide", "T07")
    assert "does not match" in refused({"wide": how}, "T07_x.csv").what


def test_a_pattern_looks_at_each_folder_from_the_left() -> None:
    how = layout(wheel_speed="v", file_bike_from="folder", file_bike_pattern=r"(?P<bike>T\d+)")

    assert chosen({"wide": how}, "May/T07/T08/T09_x.csv", bikes={"T07": None, "T08": None}) == (
        "wide",
        "T07",
    )


def test_a_fixed_bike_needs_no_name() -> None:
    how = layout(wheel_speed="v", file_bike_from="fixed", file_bike="T07")

    assert chosen({"wide": how}, "anything.csv") == ("wide", "T07")


def test_a_column_with_several_bikes_makes_a_log_of_each() -> None:
    how = layout(wheel_speed="v", file_bike_from="column", file_bike_column="bike")
    text = "t,v,bike\n" + "".join(
        f"{i / 10:.1f},{50 + i},{('T07', 't08 ')[i // 3 % 2]}\n" for i in range(12)
    )
    parts = take_in(member(text, "all.csv"), fleet({"bench": how}, T07=None, T08=None))

    assert [(p.info.bike, p.info.rows, p.info.stem[-2:]) for p in parts] == [
        ("T07", 6, "-1"),
        ("T08", 6, "-2"),
    ]
    assert parts[1].samples["wheel_speed"].to_list() == [53, 54, 55, 59, 60, 61]


def test_an_unknown_bike_in_a_column_is_named_with_its_line() -> None:
    how = layout(wheel_speed="v", file_bike_from="column", file_bike_column="bike")
    error = refused({"wide": how}, text="t,v,bike\n0.0,50,T07\n0.1,51,T70\n")

    assert error.what == "unknown bike T70, nearest T07"
    assert "line 3" in error.where


def test_a_picture_is_told_as_no_text_whatever_layouts_there_are() -> None:
    error = refused({"wide": WIDE, "far": FAR}, text="\0\1\2\3" * 300)

    assert "This is no text" in error.what


def test_a_semicolon_log_is_not_read_as_one_bogus_column() -> None:
    error = refused(
        {"wide": layout(wheel_speed="v", file_separator=",")}, text=table("0;1", header="t;v")
    )

    assert '"t"' in error.value
