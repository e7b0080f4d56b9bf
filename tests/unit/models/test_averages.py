"""Rules of thumb."""

import numpy as np
import pytest

from models.consumption.averages import cell_average, shop_average
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed


def log_of(jobs: list[tuple[str, list[tuple[str, int]], float | list[float] | None]]) -> JobTable:
    """Jobs as (class, [(zone, soil)], a total, values by line, or nothing)."""
    line_job, words, group, value = [], [], [], []
    for j, (vehicle, lines, figures) in enumerate(jobs):
        for i, (zone, soil) in enumerate(lines):
            line_job.append(j)
            words.append((vehicle, zone, soil))
            if isinstance(figures, list):
                group.append(len(value))
                value.append(figures[i])
            else:
                group.append(-1 if figures is None else len(value))
        if isinstance(figures, float):
            value.append(figures)
    n, blank = len(line_job), Factor.of([""] * len(line_job))
    observed = Observed(np.array(group, dtype=np.int64), np.array(value))
    return JobTable(
        job_id=tuple(str(j) for j in range(len(jobs))), day=np.arange(len(jobs)), customer=Factor.of([""] * len(jobs)),
        ambient_f=np.full(len(jobs), np.nan), line_job=np.array(line_job), vehicle_class=Factor.of(w[0] for w in words),
        zone=Factor.of(w[1] for w in words), machine=blank, operator=blank, soil=np.array([w[2] for w in words]),
        coating_removed=np.zeros(n, dtype=bool), settings={s: np.full(n, np.nan) for s in SETTINGS},
        pellets=observed, minutes=Observed.nothing(n),
    )  # fmt: skip


UNDER, INSIDE = ("undercarriage", 1), ("interior", 1)


def test_shop_average_answers_every_job_alike() -> None:
    """The shop's quantiles of past totals, jobs without a full total left out."""
    history = log_of([("van", [UNDER], v) for v in (10.0, 20.0, 30.0)] + [("van", [UNDER], None)])
    request = log_of([("van", [UNDER, INSIDE], None), ("sedan", [INSIDE], None)])
    np.testing.assert_allclose(shop_average(history, request, "pellets_lb", (0.0, 0.5, 1.0)), [[10, 20, 30]] * 2)


def test_cell_average_sums_the_averages_of_a_jobs_lines() -> None:
    """Undercarriage 40 and interior 10 make 50 for a job of both."""
    history = log_of([("van", [UNDER, INSIDE], [40.0, 10.0])] * 6)
    answer = cell_average(history, log_of([("van", [UNDER, INSIDE], None)]), "pellets_lb", (0.1, 0.5, 0.9))
    np.testing.assert_allclose(answer, [[50, 50, 50]])


def test_cell_average_falls_back_where_a_cell_has_fewer_than_three_lines() -> None:
    """A class seen twice takes the average of the zone and soil over all classes; an unknown zone the shop's line."""
    history = log_of([("van", [UNDER], [60.0])] * 2 + [("sedan", [UNDER], [30.0])] * 4)
    request = log_of([("van", [UNDER], None), ("sedan", [UNDER], None), ("sedan", [("cargo_bed", 1)], None)])
    middle = cell_average(history, request, "pellets_lb", (0.5,))[:, 0]
    assert middle[0] / middle[1] == pytest.approx(40.0 / 30.0)
    assert middle[2] == pytest.approx(middle[0])


def test_the_interval_comes_from_jobs_left_out_of_their_own_average() -> None:
    """Four jobs 10, 10, 10, 20 of one cell: the ratios are 3/4 three times and 2, so the top of the range is 2."""
    history = log_of([("van", [UNDER], [v]) for v in (10.0, 10.0, 10.0, 20.0)])
    answer = cell_average(history, log_of([("van", [UNDER], None)]), "pellets_lb", (0.0, 1.0))
    np.testing.assert_allclose(answer, [[12.5 * 0.75, 12.5 * 2.0]])


def test_a_total_is_spread_over_its_lines_by_zone() -> None:
    """Jobs with only a total count: 100 for both zones splits 80 to 20 as lines elsewhere do."""
    history = log_of(
        [("van", [UNDER], [40.0])] * 3 + [("van", [INSIDE], [10.0])] * 3 + [("suv", [UNDER, INSIDE], 100.0)] * 3
    )
    answer = cell_average(history, log_of([("suv", [UNDER], None), ("suv", [INSIDE], None)]), "pellets_lb", (0.5,))
    assert answer[0, 0] / answer[1, 0] == pytest.approx(4.0)


def test_a_log_without_figures_is_an_error() -> None:
    """Neither rule invents a figure."""
    empty = log_of([("van", [UNDER], None)])
    for rule in (shop_average, cell_average):
        with pytest.raises(ValueError, match="pellets_lb"):
            rule(empty, empty, "pellets_lb", (0.5,))
