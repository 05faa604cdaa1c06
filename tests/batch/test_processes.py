"""Tasks over several processes: one that is killed costs only itself."""

import os
import signal
from pathlib import Path

import pytest

from ridecheck.batch.processes import run_tasks


def work(task: tuple[str, str]) -> str:
    """What a task asks for: give its name back, die, die the first time, or fail."""
    name, what = task
    if what == "fails":
        raise ValueError(name)
    if what.startswith("once:"):
        marker = Path(what.removeprefix("once:"))
        if marker.exists():
            return name
        marker.touch()
        what = "dies"
    if what == "dies":
        os.kill(os.getpid(), signal.SIGKILL)
    return name


def killed(task: tuple[str, str]) -> str:
    return f"{task[0]} was killed"


def run(tasks, workers=2):
    return sorted(run_tasks(work, tasks, workers=workers, killed=killed))


def test_every_task_is_done_once():
    assert run([(str(n), "") for n in range(9)]) == [str(n) for n in range(9)]


def test_a_killed_process_costs_only_its_own_task():
    tasks = [(str(n), "dies" if n == 3 else "") for n in range(8)]

    assert run(tasks) == sorted([*(str(n) for n in range(8) if n != 3), "3 was killed"])


def test_a_task_killed_once_is_tried_again_alone(tmp_path):
    tasks = [("a", ""), ("b", f"once:{tmp_path / 'marker'}"), ("c", "")]

    assert run(tasks) == ["a", "b", "c"]


def test_what_a_task_raises_is_raised():
    with pytest.raises(ValueError, match="b"):
        run([("a", ""), ("b", "fails")])
