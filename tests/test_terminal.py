"""Progress and interrupts."""

from __future__ import annotations

import io
import signal
import threading

import pytest

from specfrac.terminal import Progress, stoppable, undisturbed


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_is_one_line_and_goes_away_without_a_trace():
    stream = Terminal()
    progress = Progress(4, "runs", stream)
    progress.show(0, 0)
    assert stream.getvalue() == "0 of 4 runs"
    progress.show(2, 1)
    last = stream.getvalue().rsplit("\r", 1)[-1]
    assert last.startswith("2 of 4 runs, 1 failed, about ")
    assert last.endswith(" left")
    progress.clear()
    assert stream.getvalue().endswith("\r" + " " * len(last) + "\r")
    length = len(stream.getvalue())
    progress.clear()
    assert len(stream.getvalue()) == length


def test_nothing_is_shown_when_the_output_is_no_terminal():
    stream = io.StringIO()
    progress = Progress(4, "runs", stream)
    progress.show(2, 0)
    progress.clear()
    assert stream.getvalue() == ""


def test_the_first_interrupt_asks_and_the_second_ends():
    told = []
    before = signal.getsignal(signal.SIGINT)
    with stoppable(lambda: told.append(1)) as stop:
        assert not stop()
        signal.raise_signal(signal.SIGINT)
        assert stop()
        assert stop.status == 130
        assert told == [1]
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert told == [1]
    assert signal.getsignal(signal.SIGINT) is before


def test_an_interrupt_waits_until_files_are_written():
    done = False
    with pytest.raises(KeyboardInterrupt), undisturbed():
        signal.raise_signal(signal.SIGINT)
        done = True
    assert done


def test_what_the_shell_ignores_stays_ignored():
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with stoppable(lambda: None) as stop:
            signal.raise_signal(signal.SIGINT)
            assert not stop()
        with undisturbed():
            signal.raise_signal(signal.SIGINT)
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


def test_other_threads_hear_no_signals_and_may_work_all_the_same():
    seen = []

    def work() -> None:
        with stoppable(lambda: None) as stop, undisturbed():
            seen.append(stop())

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [False]
