"""One thread for linear algebra: the matrices are small, and threads would wait for each other."""

from __future__ import annotations

import os

THREAD_LIMITS = (
    "OPENBLAS_NUM_THREADS",
    "OMP_NUM_THREADS",
    "MKL_NUM_THREADS",
    "BLIS_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
"""What libraries of linear algebra read, once, when a process loads them."""


def prefer_one_thread() -> None:
    """Let linear algebra that is loaded from here on use one thread, unless the user says else.

    On two cores that have other work too, a command takes half the time.
    """
    for name in THREAD_LIMITS:
        os.environ.setdefault(name, "1")
