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
        self._drawn: dict[tuple[int, int], CustomerDraws] = {}

    @cached_property
    def _rows(self) -> CustomerRows:
        return customer_rows(self._asking.book, self._asking.today)

    def effect(self, customer: str, n_draws: int, *, count: int = 1) -> CustomerDraws | None:
        """Return what a customer adds to its jobs; None where a newcomer's single job needs none: its draws hold it."""
        name = customer.casefold()
        if not name and count == 1:
            return None
        code = self._rows.names.index(name) if name in self._rows.names else -1
        if code < 0 and count == 1:
            return None
        if (code, n_draws) not in self._drawn:
            # Newcomers share one draw, which nobody's is too: how a name is written must not move a price.
            rng = stream(self._asking.seed, "customer", name if code >= 0 else "")
            self._drawn[code, n_draws] = draw_customer(self._rows.record, code, n_draws=n_draws, rng=rng)
        return self._drawn[code, n_draws]

    def applied(self, jobs: Sequence[JobAsked], consumption: Consumption) -> Consumption:
        """Return the draws of a request with what the customers of its first jobs, `jobs`, add to them."""
        n_draws = consumption.pellets.n_draws
        effects = {j: found for j, job in enumerate(jobs) if (found := self.effect(job.customer, n_draws)) is not None}
        if not effects:
            return consumption
        line_job = consumption.request.line_job
        first = np.searchsorted(line_job, np.arange(consumption.request.n_jobs + 1))
        changed = []
        for q, quantity in enumerate(QUANTITIES):
            old = consumption.of(quantity)
            draws = old.draws.copy()
            for j, found in effects.items():
                lines = slice(int(first[j]), int(first[j + 1]))
                total = draws[lines].sum(axis=0)
                draws[lines] *= with_customer(total[None], found, q)[0] / np.maximum(total, 1e-9)
            changed.append(replace(old, draws=draws))
        return replace(consumption, pellets=changed[0], minutes=changed[1])

    def told(self, jobs: Sequence[JobAsked]) -> tuple[str, ...]:
        """Tell of customers whose record says little."""
        few = [name for name in dict.fromkeys(job.customer for job in jobs) if name and self._visits(name) == 1]
        return tuple(
            f"Customer {name} has one job on record: that says little, so what customers differ by counts nearly in "
            "full."
            for name in few
        )

    def _visits(self, customer: str) -> int:
        name = customer.casefold()
        if name not in self._rows.names:
            return 0
        record = self._rows.record
        return int(np.isfinite(record.residual[:, record.code == self._rows.names.index(name)]).sum(axis=1).max())
