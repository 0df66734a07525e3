"""Work spread over processes: results, and what a process that dies costs."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from work_example import die_once, process_and_threads, refuse, square, square_or_die

from specfrac.processes import Died, available_cores, spread
from specfrac.threads import THREAD_LIMITS


def test_every_item_gets_its_result():
    assert sorted(spread(square, range(7), workers=2)) == [(i, i * i) for i in range(7)]
    assert list(spread(square, [], workers=2)) == []


def test_workers_are_other_processes_with_one_thread_each_and_leave_no_trace_here():
    before = dict(os.environ)
    found = [result for _, result in spread(process_and_threads, range(4), workers=2)]
    assert len(found) == 4
    for result in found:
        assert not isinstance(result, Died)
        process, limits = result
        assert process != os.getpid()
        assert limits == {"1"}
    assert dict(os.environ) == before
    assert "OPENBLAS_NUM_THREADS" in THREAD_LIMITS


def test_a_process_that_dies_costs_only_its_own_item():
    found = dict(spread(square_or_die, range(8), workers=2))
    assert found.pop(3) == Died()
    assert found == {i: i * i for i in (0, 1, 2, 4, 5, 6, 7)}


def test_an_item_that_was_lost_is_tried_once_more(tmp_path):
    paths = [str(tmp_path / name) for name in "ab"]
    assert dict(spread(die_once, paths, workers=1)) == dict(enumerate(paths))


def test_once_asked_to_stop_no_item_is_begun_but_those_under_way_are_kept():
    found = []
    for position, result in spread(square, range(20), workers=2, stop=lambda: len(found) >= 3):
        found.append((position, result))
    assert 3 <= len(found) <= 5  # at most two were under way when the third was told
    assert all(result == position**2 for position, result in found)


def test_an_exception_reaches_the_caller():
    with pytest.raises(ValueError, match="is refused"):
        list(spread(refuse, range(3), workers=2))


def test_a_caller_that_goes_away_ends_the_workers():
    results = spread(square, range(50), workers=2)
    next(results)
    results.close()
    assert list(results) == []


def runs(process: int) -> bool:
    """Whether a process exists and is not a dead one that nobody has asked about."""
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="no list of processes in /proc")
def test_workers_end_with_the_process_that_began_them(tmp_path):
    code = (
        "import os, signal\n"
        "from specfrac.processes import spread\n"
        "from work_example import process_and_threads\n"
        "if __name__ == '__main__':\n"
        "    for _, (worker, _) in spread(process_and_threads, range(9), workers=1):\n"
        "        print(worker, flush=True)\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    script = tmp_path / "script.py"
    script.write_text(code)
    done = subprocess.run(
        [sys.executable, script],
        stdout=subprocess.PIPE,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path])},
    )
    worker = int(done.stdout)
    deadline = time.monotonic() + 30
    while runs(worker) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not runs(worker)


def test_there_is_at_least_one_core():
    assert 1 <= available_cores() <= (os.cpu_count() or 1)
