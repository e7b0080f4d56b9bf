"""The rolling record: the same whoever makes its refits."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from multiprocessing import get_context
from typing import Any

import numpy as np
import pytest
from learner_shops import shop

from models.consumption.answer import Consumption
from models.consumption.backtest import RollingRecord
from models.consumption.jobs import JobTable
from models.consumption.learn import learn
from models.consumption.planning import Planning
from models.consumption.predicting import predict


@pytest.fixture(scope="module")
def worker() -> Iterator[Executor]:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        yield pool


def test_what_is_learned_beside_a_worker_is_the_same(worker: Executor) -> None:
    """Fit, record and maps are the same to the last digit whoever made the refits of the record."""
    alone = learn(shop(50, 1), Planning(), seed=1)
    shares: list[float] = []
    beside = learn(shop(50, 1), Planning(), seed=1, workers=worker, progress=lambda share, _: shares.append(share))
    assert beside.to_json() == alone.to_json()
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_the_record_is_made_here_where_a_worker_was_ended() -> None:
    """A worker that the system ends, for want of memory say, costs time and nothing else."""

    class Ended(Executor):
        def submit(self, *_: Any, **__: Any) -> Future[Any]:
            future: Future[Any] = Future()
            future.set_running_or_notify_cancel()
            future.set_exception(BrokenExecutor("ended"))
            return future

    table = shop(30, 1)
    asked: list[int] = []

    def answer_at(past: JobTable, window: JobTable) -> Consumption:
        asked.append(past.n_jobs)
        return predict(learn(past.take_jobs(np.arange(0)), Planning(), seed=1), window, seed=1, n_draws=50)

    alone = RollingRecord(table, answer_at).finish()
    n_refits = len(asked)
    assert n_refits > 2
    assert RollingRecord(table, answer_at, Ended()).finish().to_json() == alone.to_json()
    assert asked == 2 * asked[:n_refits]
    assert alone.n == 30
