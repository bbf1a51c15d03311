"""Tasks several at a time: all are done once, whatever one throws reaches the caller, and a lost process is told of."""

import multiprocessing
import os
import signal
import sys
import time

import pytest

from keybench.errors import RunError
from keybench.runs.at_once import at_once

forks = pytest.mark.skipif(sys.platform != "linux", reason="processes are forked on Linux only")


@pytest.mark.parametrize("n_jobs", [1, 2, 5])
def test_every_task_is_done_once(n_jobs, tmp_path):
    def work(task):
        (tmp_path / str(task)).touch(exist_ok=False)
        return task * task

    assert sorted(at_once(work, range(4), n_jobs)) == [0, 1, 4, 9]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["0", "1", "2", "3"]


def test_no_tasks_are_done_at_once():
    assert list(at_once(lambda task: 1, [], 2)) == []


@forks
def test_two_jobs_are_two_processes():
    def work(task):
        time.sleep(0.2)
        return os.getpid()

    processes = set(at_once(work, range(2), 2))
    assert len(processes) == 2
    assert os.getpid() not in processes
    assert set(at_once(work, range(2), 1)) == {os.getpid()}


@forks
@pytest.mark.parametrize("thrown", [ValueError, KeyboardInterrupt])
def test_what_a_task_throws_reaches_the_caller_and_ends_the_others(thrown):
    def work(task):
        if task == 1:
            raise thrown("no")
        time.sleep(60)
        return 1

    start = time.monotonic()
    others = set(multiprocessing.active_children())  # of earlier tests
    with pytest.raises(thrown):
        list(at_once(work, range(2), 2))
    assert time.monotonic() - start < 30
    assert set(multiprocessing.active_children()) <= others


@forks
def test_a_process_that_is_ended_from_outside_is_told_of_in_one_line():
    def work(task):
        if task == 1:
            os.kill(os.getpid(), signal.SIGKILL)
        return 1

    with pytest.raises(RunError, match="--resume"):
        list(at_once(work, range(3), 2))
