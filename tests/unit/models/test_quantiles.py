"""Quantile learners on a job table."""

import numpy as np
import pytest

from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.quantiles import (
    JobFeatures,
    boosted_quantiles,
    boosted_residual_quantiles,
    linear_coefficients,
    linear_quantiles,
)
from models.scores import pinball

LEVELS = (0.1, 0.5, 0.9)


def shop(n_jobs: int, seed: int, *, by_total: bool = False) -> JobTable:
    """A log in which a van takes twice a sedan, an undercarriage four times an interior, each soil level 1.4 times."""
    rng = np.random.default_rng(seed)
    n_lines = rng.integers(1, 3, n_jobs)
    line_job = np.repeat(np.arange(n_jobs), n_lines)
    van = (rng.random(n_jobs) < 0.4)[line_job]
    under = np.concatenate([[True, False][:n] for n in n_lines])
    soil = rng.integers(-1, 4, len(line_job))
    amount = 10 * np.exp(
        0.7 * van + 1.4 * under + 0.34 * np.where(soil < 0, 1, soil) + 0.2 * rng.normal(size=len(soil))
    )
    group = line_job if by_total else np.arange(len(line_job))
    observed = Observed(group.astype(np.int64), np.bincount(group, weights=amount))
    blank = Factor.of([""] * len(line_job))
    return JobTable(
        job_id=tuple(f"J{j}" for j in range(n_jobs)), day=np.arange(n_jobs) + 738_000,
        customer=Factor.of([""] * n_jobs),
        ambient_f=np.full(n_jobs, np.nan), line_job=line_job,
        vehicle_class=Factor.of(np.where(van, "van", "sedan").tolist()),
        zone=Factor.of(np.where(under, "undercarriage", "interior").tolist()), machine=blank, operator=blank,
        soil=soil, coating_removed=np.zeros(len(line_job), dtype=bool),
        settings={name: np.full(len(line_job), np.nan) for name in SETTINGS}, pellets=observed, minutes=observed,
    )  # fmt: skip


def held(history: JobTable, request: JobTable, quantiles: np.ndarray) -> float:
    total = request.job_total("pellets_lb")
    return float(np.mean((total >= quantiles[:, 0]) & (total <= quantiles[:, -1])))


def test_linear_coefficients_minimise_the_check_loss() -> None:
    """No nearby line has a smaller summed check loss."""
    rng = np.random.default_rng(0)
    design = np.column_stack([np.ones(60), rng.normal(size=(60, 2))])
    y = design @ [1.0, 2.0, -1.0] + rng.normal(size=60)
    beta = linear_coefficients(design, y, 0.3)
    best = pinball(y, design @ beta, 0.3).sum()
    for _ in range(200):
        assert pinball(y, design @ (beta + 0.05 * rng.normal(size=3)), 0.3).sum() >= best - 1e-9


@pytest.mark.parametrize("learner", ["linear", "boosted"])
def test_quantiles_follow_the_job_and_hold_their_share(learner: str) -> None:
    """With 600 jobs an 80 % interval is narrower than the spread of all jobs and holds its share of new ones.

    Boosting is known to hold too little without calibration, hence its lower bar.
    """
    history, request = shop(600, 1), shop(400, 2)
    if learner == "linear":
        answer = linear_quantiles(history, request, "pellets_lb", LEVELS)
    else:
        answer = boosted_quantiles(history, request, "pellets_lb", LEVELS, seed=3)
    assert answer.shape == (400, 3)
    assert (np.diff(answer, axis=1) >= 0).all()
    assert {"linear": 0.72, "boosted": 0.60}[learner] < held(history, request, answer) < 0.88
    shop_width = np.diff(np.quantile(history.job_total("pellets_lb"), [0.1, 0.9]))[0]
    assert np.mean(answer[:, 2] - answer[:, 0]) < 0.5 * shop_width


def test_totals_serve_as_well_as_lines() -> None:
    """A learner of job totals answers the same whether lines or only their sums were written down."""
    lines, totals, request = shop(80, 4), shop(80, 4, by_total=True), shop(20, 5)
    np.testing.assert_allclose(
        linear_quantiles(lines, request, "pellets_lb", LEVELS),
        linear_quantiles(totals, request, "pellets_lb", LEVELS),
        rtol=1e-6,
    )


def test_residual_quantiles_correct_a_median_that_forgets_the_class() -> None:
    """Given a median without the class effect, boosted residuals put vans about twice above sedans again."""
    history, request = shop(800, 6), shop(300, 7)

    def blind(table: JobTable) -> np.ndarray:
        lines = np.where(table.zone.codes == table.zone.names.index("undercarriage"), 40.0, 10.0)
        lines = lines * np.exp(0.34 * np.where(table.soil < 0, 1, table.soil))
        return np.log(np.bincount(table.line_job, weights=lines))

    answer = boosted_residual_quantiles(
        history, request, "minutes", LEVELS,
        history_log_median=blind(history), request_log_median=blind(request), seed=8,
    )  # fmt: skip
    factor = answer[:, 1] / np.exp(blind(request))
    first = np.unique(request.line_job, return_index=True)[1]
    van = request.vehicle_class.codes[first] == request.vehicle_class.names.index("van")
    assert np.median(factor[van]) == pytest.approx(2.0, rel=0.12)
    assert np.median(factor[~van]) == pytest.approx(1.0, rel=0.12)


def test_words_the_history_does_not_know_are_answered() -> None:
    """A class nobody has seen has no column of its own and still gets finite quantiles."""
    history, request = shop(60, 9), shop(5, 10)
    strange = Factor(("truck",), np.zeros(request.n_lines, dtype=np.int32))
    asked = JobTable(**{**vars(request), "vehicle_class": strange})
    for answer in (
        linear_quantiles(history, asked, "pellets_lb", LEVELS),
        boosted_quantiles(history, asked, "pellets_lb", LEVELS, seed=0),
    ):
        assert np.isfinite(answer).all()
        assert (answer > 0).all()


def test_features_have_the_same_columns_for_every_table() -> None:
    """The columns are fixed on the history."""
    history = shop(50, 11)
    features = JobFeatures.of(history)
    assert features.matrix(shop(3, 12)).shape[1] == features.matrix(history).shape[1]


def test_boosting_is_repeatable() -> None:
    """The same seed gives the same answer."""
    history, request = shop(60, 13), shop(10, 14)
    twice = [boosted_quantiles(history, request, "pellets_lb", LEVELS, seed=1) for _ in range(2)]
    np.testing.assert_array_equal(twice[0], twice[1])


def test_no_totals_is_an_error() -> None:
    """A log without any figure of the quantity raises."""
    with pytest.raises(ValueError, match="no past job has a total of minutes"):
        linear_quantiles(shop(5, 15).without_figures(), shop(2, 16), "minutes", LEVELS)
