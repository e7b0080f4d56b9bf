"""What a known customer's jobs take beside others: its past visits against what was expected of them."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.customers import CustomerDraws, draw_customer, with_customer
from models.consumption.draws import stream
from pipeline.book.quote_rows import customer_rows
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from models.consumption.answer import Consumption
    from pipeline.answers.answer import Asking
    from pipeline.answers.requests import JobAsked
    from pipeline.book.quote_rows import CustomerRows


class KnownCustomers:
    """The customers on record as of the morning of `asking.today`; read where the first one is asked about."""

    def __init__(self, asking: Asking) -> None:
        self._asking = asking

    @cached_property
    def _rows(self) -> CustomerRows:
        return customer_rows(self._asking.book, self._asking.today)

    @cached_property
    def _code(self) -> dict[str, int]:
        return {name: code for code, name in enumerate(self._rows.names)}

    def effect(self, customer: str, n_draws: int, *, count: int = 1) -> CustomerDraws | None:
        """Return what a customer adds to its jobs; None where a newcomer's single job needs none: its draws hold it."""
        return None if count == 1 and not self._knows(customer) else self._drawn(customer, n_draws)

    def _knows(self, customer: str) -> bool:
        return bool(customer) and customer.casefold() in self._code

    def _drawn(self, customer: str, n_draws: int) -> CustomerDraws:
        # Newcomers share one draw, which nobody's is too: how a name is written must not move a price.
        name = customer.casefold() if self._knows(customer) else ""
        rng = stream(self._asking.seed, "customer", name)
        return draw_customer(self._rows.record, self._code.get(name, -1), n_draws=n_draws, rng=rng)

    def applied(self, jobs: Sequence[JobAsked], consumption: Consumption) -> Consumption:
        """Return the draws of a request with what the customers of its first jobs, `jobs`, add to them."""
        n_draws = consumption.pellets.n_draws
        known = [j for j, job in enumerate(jobs) if self._knows(job.customer)]
        if not known:
            return consumption
        line_job = consumption.request.line_job
        first = np.searchsorted(line_job, np.arange(consumption.request.n_jobs + 1))
        changed = [consumption.of(quantity).draws.copy() for quantity in QUANTITIES]
        for j in known:
            found, lines = self._drawn(jobs[j].customer, n_draws), slice(int(first[j]), int(first[j + 1]))
            for q, draws in enumerate(changed):
                total = draws[lines].sum(axis=0)
                draws[lines] *= with_customer(total[None], found, q)[0] / np.maximum(total, 1e-9)
        pellets, minutes = (replace(consumption.of(q), draws=d) for q, d in zip(QUANTITIES, changed, strict=True))
        return replace(consumption, pellets=pellets, minutes=minutes)

    def told(self, jobs: Sequence[JobAsked]) -> tuple[str, ...]:
        """Tell of customers whose record says little."""
        named = dict.fromkeys(job.customer for job in jobs)
        few = [name for name in named if self._knows(name) and self._visits(name) == 1]
        return tuple(
            f"Customer {name} has one job on record: that says little, so what customers differ by counts nearly in "
            "full."
            for name in few
        )

    def _visits(self, customer: str) -> int:
        code = self._code[customer.casefold()]
        return int(max(law.pool.size[code] for law in self._rows.record.laws))
