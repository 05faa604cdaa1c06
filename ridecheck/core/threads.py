"""Processes are the threads: libraries that bring threads of their own get one each."""

import os

SET = ("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")


def one_a_process() -> None:
    """Ask for one thread where the user asked for nothing; before the libraries are imported.

    Idle threads of a numeric library spin beside the processes that do the work.
    """
    for name in SET:
        os.environ.setdefault(name, "1")
