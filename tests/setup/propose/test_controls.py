"""A column that may be a control is always asked about; a short log shows no habit."""

import pytest
from folders import CHANNELS, day, log_text, rows_of
from logs import member, table

from ridecheck.core.catalog import channels
from ridecheck.setup.propose import propose_member
from ridecheck.setup.propose.words import concepts, suggested


def drafted(text: str):
    return propose_member(member(text, "T01_x.csv"))


def of_a_ride(seconds: float, **names: str) -> str:
    """A ride's log with some columns called otherwise, cut after so long."""
    lines = log_text(rows_of(), day(0)).splitlines()
    header = ",".join(names.get(n, n) for n in lines[0].split(","))
    return "\n".join([header, *lines[1 : int(20 * seconds)]]) + "\n"


@pytest.mark.parametrize(
    "name",
    [
        "brake",
        "BRAKE_PRESSED",
        "Brake Switch",
        "cruise_button",
        "MAIN_ON",
        "set",
        "Resume",
        "Coolant",
    ],
)
def test_a_column_that_may_be_a_control_is_mapped_or_asked_about(name: str) -> None:
    rows = [f"{i / 10:.1f},{50 + i % 9},{i // 40 % 2}" for i in range(600)]
    draft = drafted(table(*rows, header=f"t,speed_kmh,{name}"))
    mapped = {m.column for m in draft.mapped}

    assert name in mapped or any(f'"{name}"' in q for q in draft.questions)
    assert f'"{name}"' not in draft.left_out


@pytest.mark.parametrize("name", list(channels()))
def test_the_products_own_names_are_always_known(name: str) -> None:
    assert suggested(name) == (name,)
    assert suggested(name.replace("_", " ").upper()) == (name,)


def test_a_name_that_begins_with_can_is_about_no_cancel_button() -> None:
    assert "cancel" not in concepts("CAN_0x1F0_byte3")
    assert "cancel" in concepts("cruise cancel")


def test_nothing_is_drafted_by_what_it_does_in_a_few_seconds_of_riding() -> None:
    unnamed = {n: f"x{i}" for i, n in enumerate(CHANNELS) if channels()[n].kind == "switch"}
    short, long = (drafted(of_a_ride(s, **unnamed)) for s in (40, 104))
    kinds = [
        {m.channel for m in d.mapped if channels()[m.channel].kind == "switch"}
        for d in (short, long)
    ]

    assert kinds[0] == set()
    assert "cruise_engaged" in kinds[1]
