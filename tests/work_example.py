"""Pieces of work for tests of worker processes, which must be able to import them."""

from __future__ import annotations

import os
import time
from pathlib import Path

from specfrac.threads import THREAD_LIMITS


def square(number: int) -> int:
    return number * number


def process_and_threads(_: int) -> tuple[int, set[str | None]]:
    """Return the process and its limits of threads."""
    return os.getpid(), {os.environ.get(name) for name in THREAD_LIMITS}


def square_or_die(number: int) -> int:
    """End the process without a result at 3, as the system does when memory runs out."""
    if number == 3:
        os._exit(1)
    time.sleep(0.02)
    return number * number


def die_once(path: str) -> str:
    """End the process the first time, give a result the second."""
    if not Path(path).exists():
        Path(path).touch()
        os._exit(1)
    return path


def refuse(number: int) -> int:
    raise ValueError(f"{number} is refused")
