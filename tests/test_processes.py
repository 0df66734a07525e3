"""Work spread over processes: results, and what a process that dies costs."""

from __future__ import annotations

import os

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


def test_there_is_at_least_one_core():
    assert 1 <= available_cores() <= (os.cpu_count() or 1)
