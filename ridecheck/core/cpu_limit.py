"""A limit of CPU time: what waits for a disk or for other processes is not counted."""

import contextlib
import resource
import signal
import threading
from collections.abc import Iterator

BACKSTOP_TIMES, BACKSTOP_S = 2, 10
"""Code that never comes back to Python is ended by the system after this much more."""


class OutOfTime(BaseException):
    """More CPU time was used than is allowed. No Exception: nothing on the way may keep it."""


@contextlib.contextmanager
def cpu_limit(seconds: float) -> Iterator[None]:
    """Raises OutOfTime in the block once it has used this much CPU time of the process.

    Counts user and system time of all threads (ITIMER_PROF). Works in a main thread, which
    every worker process has; elsewhere there is no limit.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def late(*_: object) -> None:
        raise OutOfTime

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, max(seconds, 0.001))
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


@contextlib.contextmanager
def ended_by_the_system(seconds: float) -> Iterator[None]:
    """The process is killed where the block uses far more than this: for workers alone."""
    usage = resource.getrusage(resource.RUSAGE_SELF)
    _, hard = resource.getrlimit(resource.RLIMIT_CPU)
    soft = int(usage.ru_utime + usage.ru_stime + BACKSTOP_TIMES * seconds + BACKSTOP_S) + 1
    resource.setrlimit(resource.RLIMIT_CPU, (soft, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_CPU, (hard, hard))
