"""Doing the tasks of a run several at a time.

On Linux in forked processes: they share the notes without copying them, and a method is mostly small steps of numpy
between which threads would wait for the interpreter. Elsewhere, where forking is not safe, in threads.
"""

from __future__ import annotations

import ctypes
import multiprocessing
import signal
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from keybench.errors import RunError

_ENDS_WITH_PARENT = 1  # PR_SET_PDEATHSIG of Linux

_here: dict[str, Any] = {}  # in a forked process, what it works on


def at_once(work: Callable[[Any], int], tasks: Sequence[Any], n_jobs: int) -> Iterator[int]:
    """Yield ``work(task)`` for each task as it is done, in any order.

    Parameters
    ----------
    work : callable
        Called in another process where `n_jobs` is more than one: what it returns must be picklable, and what else it
        changes in memory is lost.
    tasks : sequence
        Begun in this order.
    n_jobs : int
        Tasks at a time.

    Raises
    ------
    RunError
        If a process is ended from outside, as for want of memory.
    """
    n_jobs = min(n_jobs, len(tasks))
    if n_jobs <= 1:
        yield from map(work, tasks)
        return
    others = set(multiprocessing.active_children())
    pool, do = _pool(work, tasks, n_jobs)
    try:
        with warnings.catch_warnings():
            # Of threads beside the fork: none of ours runs then, and those of the libraries look after themselves.
            warnings.simplefilter("ignore", DeprecationWarning)
            futures = [pool.submit(do, i) for i in range(len(tasks))]
        for future in as_completed(futures):
            yield future.result()
    except BrokenProcessPool:
        raise RunError(
            "a process was ended from outside, perhaps for want of memory; go on with --resume and fewer --jobs"
        ) from None
    except BaseException:
        for child in set(multiprocessing.active_children()) - others:  # what is begun need not be finished
            child.terminate()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _pool(work: Callable[[Any], int], tasks: Sequence[Any], n_jobs: int) -> tuple[Executor, Callable[[int], int]]:
    if sys.platform == "linux":
        context = multiprocessing.get_context("fork")
        return ProcessPoolExecutor(n_jobs, context, _begin, (work, tasks)), _do
    return ThreadPoolExecutor(n_jobs), lambda i: work(tasks[i])


def _begin(work: Callable[[Any], int], tasks: Sequence[Any]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # interrupted, a process ends at once and says nothing
    ctypes.CDLL(None).prctl(_ENDS_WITH_PARENT, signal.SIGTERM)  # nor does it stay when the run is killed
    _here.update(work=work, tasks=tasks)


def _do(i: int) -> int:
    done: int = _here["work"](_here["tasks"][i])
    return done
