"""Processes that compute beside this one, for work that falls into parts which stand by themselves."""

from __future__ import annotations

import os
import signal
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from concurrent.futures import Executor
    from multiprocessing.connection import Connection

#: Each costs a start of a second and some 200 MB, so that more would seldom pay.
MOST_WORKERS = 3
#: A shorter log is learned before a worker would be of use.
LEAST_JOBS = 30


@contextmanager
def workers_beside(n_jobs: int) -> Iterator[Executor | None]:
    """Yield processes beside this one, one a spare processor, or None where they would not pay or cannot be had.

    They end with the block, at once where it is left by an error or Ctrl-C, and also where this process is killed.

    Parameters
    ----------
    n_jobs : int
        Jobs to learn from.
    """
    n = min(_processors() - 1, MOST_WORKERS)
    if n < 1 or n_jobs < LEAST_JOBS:
        yield None
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    # A fresh process, not a fork: the database's threads and locks would not survive one.
    context = get_context("spawn")
    try:
        theirs, ours = context.Pipe(duplex=False)
        pool = ProcessPoolExecutor(n, mp_context=context, initializer=_attend, initargs=(theirs,))
        with _deaf():
            for _ in range(n):
                pool.submit(os.getpid)
    except (OSError, NotImplementedError, ImportError):  # no shared semaphores, or no process may be started
        yield None
        return
    try:
        yield pool
        pool.shutdown()
    finally:
        ours.close()
        pool.shutdown(cancel_futures=True)
        theirs.close()


def _processors() -> int:
    """Return the number of processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def _deaf() -> Iterator[None]:
    """Let Ctrl-C pass: a process that is started meanwhile leaves it to this one."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, heard)


def _attend(theirs: Connection) -> None:
    """Make ready a worker: it ends as soon as the other end of the pipe is gone, and Ctrl-C is not its own."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def wait() -> None:
        theirs.poll(None)
        os._exit(0)

    threading.Thread(target=wait, daemon=True).start()
