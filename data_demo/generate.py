"""Draws the invented shop's logs from its law, and rewrites the files that ship: `python -m data_demo.generate`."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from data_demo.law import draw_amounts
from data_demo.logs import DemoLogs
from data_demo.mess import write_messy
from data_demo.stock import IceHouse, Row
from data_demo.truth import TRUTH, Truth
from data_demo.visits import draw_days, draw_visit, open_days, usual_age
from data_demo.writing import (
    BOOKING_COLUMNS,
    DELIVERY_COLUMNS,
    JOB_COLUMNS,
    WEIGHING_COLUMNS,
    booking_rows,
    is_under_priced,
    job_rows,
    number_visits,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


#: The seed of the files that ship: a draw in which the planted waste shows and only planted jobs lose money, so that
#: the demo can be read; other draws are measured in tests/statistical, where some of it stays hidden.
SHIPPED_SEED = 149
#: The seed of how the messy files are written: one in which every habit turns up.
MESSY_SEED = 1
HERE = Path(__file__).parent
LOG_COLUMNS = {
    "jobs": JOB_COLUMNS,
    "deliveries": DELIVERY_COLUMNS,
    "weighings": WEIGHING_COLUMNS,
    "bookings": BOOKING_COLUMNS,
}


@dataclass(frozen=True)
class FreshJobs:
    """Jobs that no log holds, to ask about, and what they take.

    Attributes
    ----------
    rows : list of rows
        Canonical job rows without figures, blanks as in the log.
    job_id : tuple of str (n,)
    pellets_lb, minutes : float arrays (n,)
        Exact totals of each visit.
    pellets_law_lb, minutes_law : float arrays (n, n_draws)
        More draws of the same visits from the law.
    """

    rows: list[Row]
    job_id: tuple[str, ...]
    pellets_lb: NDArray[np.float64]
    minutes: NDArray[np.float64]
    pellets_law_lb: NDArray[np.float64]
    minutes_law: NDArray[np.float64]


def draw_shop(seed: int, n_jobs: int = 400, truth: Truth = TRUTH) -> DemoLogs:
    """Return the four logs of one draw of the shop; the same seed gives the same rows on every machine.

    Raises
    ------
    ValueError
        When fewer than one job is asked for.
    """
    if n_jobs < 1:
        raise ValueError("a shop needs at least one job")
    ways = _streams(seed, 4)
    days = draw_days(ways[0], n_jobs, open_days(truth.first_day, truth.last_day, truth), truth)
    visits = [draw_visit(ways[1], day, truth) for day in days]
    ice = IceHouse(ways[2], visits, truth).run()
    numbered = list(zip(number_visits(visits), visits, strict=True))
    jobs = [row for job_id, visit in numbered for row in job_rows(ways[3], job_id, visit, truth)]
    return DemoLogs(
        jobs=jobs,
        deliveries=ice.deliveries,
        weighings=ice.weighings,
        bookings=booking_rows(ways[3], numbered, truth),
        as_of=truth.last_day + timedelta(days=1),
        visits=dict(numbered),
        ice=ice,
        under_priced=tuple(
            job_id
            for job_id, visit in numbered
            if is_under_priced(visit, truth) and any(row["job_id"] == job_id and row["price_usd"] for row in jobs)
        ),
        truth=truth,
    )


def fresh_jobs(
    seed: int,
    n: int,
    truth: Truth = TRUTH,
    *,
    period: Literal["record", "ahead"] = "record",
    n_draws: int = 1,
) -> FreshJobs:
    """Return `n` visits drawn anew from the law, with what they take.

    Parameters
    ----------
    seed : int
        Independent of `draw_shop`'s stream of the same number.
    n : int
    truth : Truth
    period : "record" or "ahead"
        Days of the record, its wasteful stretches included, or the 60 days after it.
    n_draws : int
        Further draws of each visit's totals, for scores that need the law itself.
    """
    first, last = truth.first_day, truth.last_day
    if period == "ahead":
        first, last = last + timedelta(days=1), last + timedelta(days=60)
    ways = _streams(seed + 2**40, 3)
    days = draw_days(ways[0], n, open_days(first, last, truth), truth)
    rows: list[Row] = []
    totals, law = np.empty((n, 2)), np.empty((n, n_draws, 2))
    names = tuple(f"F-{i + 1:05d}" for i in range(n))
    figures = ("pellets_lb", "minutes", "job_pellets_lb", "job_minutes", "setup_min", "cleanup_min", "price_usd")
    for i, day in enumerate(days):
        visit = draw_visit(ways[1], day, truth)
        visit.age_days = usual_age(ways[1], day)
        draws = draw_amounts(visit, ways[2], truth, n_draws + 1)
        visit.amounts = draws[0]
        totals[i], law[i] = draws[0].sum(axis=0), draws[1:].sum(axis=1)
        written = job_rows(ways[1], names[i], visit, truth, plain=True)
        rows += [row | dict.fromkeys(figures, "") for row in written]
    return FreshJobs(rows, names, totals[:, 0], totals[:, 1], law[:, :, 0], law[:, :, 1])


def write_csv(path: Path, columns: Sequence[str], rows: Sequence[Row]) -> None:
    """Write rows under their headers as UTF-8 with LF line ends, so that the bytes do not depend on the system."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def write_clean(logs: DemoLogs, folder: Path) -> None:
    """Write the four logs in canonical headers into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, columns in LOG_COLUMNS.items():
        write_csv(folder / f"{name}.csv", columns, getattr(logs, name))


def _streams(seed: int, n: int) -> list[np.random.Generator]:
    """Return independent generators, one for each kind of draw, so that a change in one does not move the others."""
    return [np.random.Generator(np.random.PCG64(child)) for child in np.random.SeedSequence(seed).spawn(n)]


def main() -> None:
    """Rewrite the shipped files."""
    logs = draw_shop(SHIPPED_SEED)
    write_clean(logs, HERE / "clean")
    write_messy(logs, HERE / "messy", MESSY_SEED)


if __name__ == "__main__":
    main()
