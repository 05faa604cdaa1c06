"""How often a switch is refreshed: by what stands behind it, or by the grid of its edges."""

import numpy as np
import pytest
from folders import Folder, day, log_text, rows_of, verdicts
from logs import layout as small_layout
from logs import part, table

ROW_S = 0.012


def edges_log(refresh_s: float, *, row_s: float = ROW_S, seed: int = 1, presses: int = 8) -> str:
    """A brake pressed now and then, asked for every refresh_s and written in every row."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0, presses * 8.0, row_s)
    on = np.zeros(len(t_s), dtype=int)
    for press in range(presses):
        start_s = press * 8.0 + rng.uniform(0, 3)
        on[(t_s >= start_s) & (t_s < start_s + rng.uniform(1, 4))] = 1
    asked = np.searchsorted(t_s, np.floor(t_s / refresh_s + 1e-9) * refresh_s - 1e-9)
    return table(*(f"{t:.3f},{on[i]}" for t, i in zip(t_s, asked, strict=True)), header="t,b")


BRAKE = small_layout(front_brake="b")


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("refresh_s", [0.1, 0.25, 0.5, 1.0])
def test_edges_on_a_coarser_grid_give_it_as_refresh(refresh_s: float, seed: int) -> None:
    facts = part(edges_log(refresh_s, seed=seed), BRAKE).info.channels["front_brake"]

    assert facts.interval_s == refresh_s


@pytest.mark.parametrize("seed", range(20))
def test_edges_on_the_rows_own_grid_are_the_rows(seed: int) -> None:
    facts = part(edges_log(ROW_S, seed=seed), BRAKE).info.channels["front_brake"]

    assert facts.interval_s == ROW_S


def test_too_few_edges_tell_nothing() -> None:
    facts = part(edges_log(0.5, presses=1), BRAKE).info.channels["front_brake"]

    assert facts.interval_s == ROW_S


def test_a_switch_is_as_fresh_as_the_voltage_behind_it() -> None:
    rng = np.random.default_rng(3)
    volts = np.repeat(rng.uniform(0.0, 0.4, 100) + 12 * (np.arange(100) % 17 > 12), 42)
    rows = [f"{i * ROW_S:.3f},{v:.3f}" for i, v in enumerate(volts)]
    how = small_layout(front_brake={"column": "b", "on_above": 6.0})
    facts = part(table(*rows, header="t,b"), how).info.channels["front_brake"]

    assert facts.interval_s == pytest.approx(42 * ROW_S)


def test_a_stated_refresh_stands() -> None:
    how = small_layout(front_brake={"column": "b", "refresh_s": 0.25})

    assert part(edges_log(0.5), how).info.channels["front_brake"].interval_s == 0.25


def test_through_screen_a_brake_asked_for_every_half_second_clears_nothing(tmp_path) -> None:
    pieces = ["stand 3 s"]
    for brake in ("brake", "rear brake") * 4:
        pieces += [
            "speed to 90 at 2 m/s2",
            "cruise 90 km/h, gear 5, 7 s",
            f"{brake} 3.0 m/s2 to 30",
        ]
    sound = rows_of(pieces, rate_hz=50)
    stale = _held(sound, 0.5)
    outcomes = []
    for name, rows in (("sound", sound), ("stale", stale)):
        folder = Folder(tmp_path / name)
        folder.write("inbox/T01_x.csv", log_text(rows, day(0)))
        outcomes.append(folder.screen())
    clear, unknown = (verdicts(o) for o in outcomes)
    (bike,) = outcomes[1].report.bikes
    brake = bike.rides[0].channels["front_brake"]

    assert (clear, unknown) == ({"T01": "release"}, {"T01": "no_opinion"})
    assert brake.interval_s == 0.5


def _held(rows, refresh_s: float):
    """Brakes and lamp as a logger shows them that asks every refresh_s."""
    t_s = (rows["time"] - rows["time"][0]).dt.total_microseconds().to_numpy() / 1e6
    asked = np.searchsorted(t_s, np.floor(t_s / refresh_s + 1e-9) * refresh_s - 1e-9)
    names = ("front_brake", "rear_brake", "brake_lamp")
    return rows.with_columns(rows[n][asked].alias(n) for n in names)
