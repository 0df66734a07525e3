"""Independent pieces of work spread over the processor's cores.

What one piece does to its process costs the others nothing, and an interrupt lets the
pieces under way finish.
"""

from __future__ import annotations

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from typing import Any, TypeVar

from specfrac.threads import THREAD_LIMITS

Item = TypeVar("Item")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Died:
    """Stands for the result of a piece whose process ended without one.

    The system ends a process that takes too much memory; so does a fault in compiled code.
    """


def available_cores() -> int:
    """Return the number of processor cores this process may use."""
    if hasattr(os, "sched_getaffinity"):  # not on every system
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def spread(
    function: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    workers: int,
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[tuple[int, Result | Died]]:
    """Call a function for every item, in worker processes, one thread each.

    When a process dies, the items then under way are tried once more, each alone, so that
    only the one at fault is lost.

    Parameters
    ----------
    function : callable
        Of a module's top level, so that a worker can import it. An exception it raises
        ends everything.
    items : sequence
        What can be pickled.
    workers : int
        Processes at the most, >= 1.
    stop : callable, optional
        Asked before an item is begun; once it says True no other is.

    Yields
    ------
    tuple of int and object
        An item's position and its result, in the order they become ready.
    """
    waiting = deque(enumerate(items))
    while waiting and not stop():
        held: list[tuple[int, Item]] = []
        with _pool(min(workers, len(waiting))) as pool:
            yield from _drained(pool, function, waiting, held, workers, stop)
        for position, item in held:
            if stop():
                return
            with _pool(1) as alone:
                again: list[tuple[int, Item]] = []
                yield from _drained(alone, function, deque([(position, item)]), again, 1, stop)
            if again:
                yield position, Died()


def _drained(
    pool: ProcessPoolExecutor,
    function: Callable[[Item], Result],
    waiting: deque[tuple[int, Item]],
    held: list[tuple[int, Item]],
    workers: int,
    stop: Callable[[], bool],
) -> Iterator[tuple[int, Result]]:
    """Take from `waiting` until it is empty or a process died; `held` gets what was lost then."""
    under_way: dict[Future[Result], tuple[int, Item]] = {}
    while True:
        # no more than the workers can begin: few are in doubt when one dies
        while waiting and not held and len(under_way) < workers and not stop():
            try:
                with _interrupts_held_back():
                    under_way[pool.submit(function, waiting[0][1])] = waiting[0]
            except BrokenProcessPool:
                break
            waiting.popleft()
        if not under_way:
            return
        for future in wait(under_way, return_when=FIRST_COMPLETED).done:
            piece = under_way.pop(future)
            try:
                result = future.result()
            except BrokenProcessPool:
                held.append(piece)
            else:
                yield piece[0], result


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Processes started afresh: a copy of a running process may hold locks of its threads."""
    before = {name: os.environ.get(name) for name in THREAD_LIMITS}
    os.environ.update(dict.fromkeys(THREAD_LIMITS, "1"))
    pool = ProcessPoolExecutor(workers, get_context("spawn"), initializer=_begin)
    try:
        yield pool
    except BaseException:
        _end(pool)
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _begin() -> None:
    """What a worker does first."""
    # a key pressed at the terminal reaches all its processes; the first one decides
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A worker whose parent was killed would wait for work for ever."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os.kill(os.getpid(), signal.SIGTERM)  # which writing results holds back


@contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """A process started within takes no interrupt, not even before its first line runs."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _end(pool: ProcessPoolExecutor) -> None:
    """End the workers of a pool now."""
    processes: dict[int, Any] = getattr(pool, "_processes", None) or {}
    for process in list(processes.values()):
        process.terminate()
