"""What a person at the terminal sees of long work, and how it is stopped."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any, TextIO

STOPPING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


class Progress:
    """One line that tells how far the work is, on a terminal only."""

    def __init__(self, total: int, what: str, stream: TextIO) -> None:
        self._total, self._what, self._stream = total, what, stream
        self._shown = stream.isatty()
        self._start = time.monotonic()
        self._length = 0

    def show(self, done: int, failed: int) -> None:
        """Write the line anew."""
        if not self._shown:
            return
        line = f"{done} of {self._total} {self._what}"
        if failed:
            line += f", {failed} failed"
        if 0 < done < self._total:
            left = (time.monotonic() - self._start) / done * (self._total - done)
            line += f", about {_duration(left)} left"
        self.clear()
        self._stream.write(line)
        self._stream.flush()
        self._length = len(line)

    def clear(self) -> None:
        """Take the line away, so that other text can be written."""
        if self._length:
            self._stream.write(f"\r{' ' * self._length}\r")
            self._stream.flush()
            self._length = 0


def _duration(seconds: float) -> str:
    if seconds < 60:
        return f"{max(1, round(seconds))} s"
    if seconds < 3600:
        return f"{round(seconds / 60)} min"
    return f"{seconds / 3600:.1f} h"


class Stop:
    """Tells whether the work was asked to stop, and by which signal."""

    def __init__(self) -> None:
        self.signal: int | None = None

    def __call__(self) -> bool:
        return self.signal is not None

    @property
    def status(self) -> int:
        """Exit status of a process that a signal stopped: 128 and its number."""
        return 128 + (self.signal or signal.SIGINT)


@contextmanager
def stoppable(tell: Callable[[], None]) -> Iterator[Stop]:
    """Let the first interrupt ask for a stop and the second one end the work at once.

    Parameters
    ----------
    tell : callable
        Called at the first interrupt.

    Yields
    ------
    Stop
    """
    stop = Stop()
    if threading.current_thread() is not threading.main_thread():
        yield stop  # only the main thread hears signals
        return

    def asked(number: int, _frame: FrameType | None) -> None:
        if stop():
            raise KeyboardInterrupt
        stop.signal = number
        tell()

    before = _listen(asked)
    try:
        yield stop
    finally:
        _restore(before)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Hold back an interrupt until what is within is done, so that files are written whole."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = _listen(lambda number, _frame: came.append(number))
    try:
        yield
    finally:
        _restore(before)
    for number in came:
        signal.raise_signal(number)


def _listen(handler: Callable[[int, FrameType | None], None]) -> dict[int, Any]:
    """Handle what stops a process, but leave ignored what the caller's shell ignores."""
    heard = [number for number in STOPPING if signal.getsignal(number) is not signal.SIG_IGN]
    return {number: signal.signal(number, handler) for number in heard}


def _restore(handlers: dict[int, Any]) -> None:
    for number, handler in handlers.items():
        # None: it was set by something other than Python
        signal.signal(number, signal.SIG_DFL if handler is None else handler)
