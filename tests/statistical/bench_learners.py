"""The learners that are judged: the product's own and generic peers; each sees a log and answers with quantiles."""

from collections.abc import Callable

import numpy as np
from bench_score import Answer
from bench_tables import job_table, planning
from numpy.typing import NDArray
from worlds import World

from models.consumption.averages import cell_average, shop_average
from models.consumption.jobs import JobTable
from models.consumption.quantiles import (
    JobFeatures,
    boosted_quantiles,
    boosted_residual_quantiles,
    linear_quantiles,
)
from shared.vocabulary import QUANTILE_LEVELS, QUANTITIES, Quantity

Floats = NDArray[np.float64]
Learner = Callable[[World], Answer]
N_FOLDS = 5


def structured(world: World) -> Answer:
    """The product's learner with the shop's wrong planning figures."""
    return _structured(world, job_table(world.history), job_table(world.fresh))


def no_history(world: World) -> Answer:
    """The structured learner switched off: planning figures alone."""
    return _structured(world, job_table(world.history).take_jobs(np.array([], dtype=np.int64)), job_table(world.fresh))


def _structured(world: World, history: JobTable, request: JobTable) -> Answer:
    from models.consumption.learn import learn
    from models.consumption.predicting import predict

    fitted = learn(history, planning(world), seed=world.seed)
    consumption = predict(fitted, request, seed=world.seed)
    return {q: consumption.jobs(q).quantiles(QUANTILE_LEVELS) for q in QUANTITIES}


def shop(world: World) -> Answer:
    """The shop's average job."""
    return _each(world, lambda h, r, q: shop_average(h, r, q, QUANTILE_LEVELS))


def cell(world: World) -> Answer:
    """Averages of like lines."""
    return _each(world, lambda h, r, q: cell_average(h, r, q, QUANTILE_LEVELS))


def linear(world: World) -> Answer:
    """Linear quantile regression on job features."""
    return _each(world, lambda h, r, q: linear_quantiles(h, r, q, QUANTILE_LEVELS))


def boosted(world: World) -> Answer:
    """Gradient-boosted quantiles on job features."""
    return _each(world, lambda h, r, q: boosted_quantiles(h, r, q, QUANTILE_LEVELS, seed=world.seed))


def boosted_cqr(world: World) -> Answer:
    """Boosted quantiles from half of the jobs, each widened by the rank rule on the other half (split CQR)."""

    def answer(history: JobTable, request: JobTable, quantity: Quantity) -> Floats:
        halves = np.random.default_rng(world.seed).permutation(history.n_jobs)
        fit, check = (np.sort(h) for h in (halves[: len(halves) // 2], halves[len(halves) // 2 :]))
        past = history.take_jobs(fit)
        held_out = history.take_jobs(check)
        y = np.log(held_out.job_total(quantity))
        seen = np.log(boosted_quantiles(past, held_out, quantity, QUANTILE_LEVELS, seed=world.seed))
        asked = np.log(boosted_quantiles(past, request, quantity, QUANTILE_LEVELS, seed=world.seed))
        for k, level in enumerate(QUANTILE_LEVELS):
            asked[:, k] += _rank_quantile((y - seen[:, k])[np.isfinite(y)], level)
        return np.exp(np.sort(asked, axis=1))

    return _each(world, answer)


def ridge(world: World) -> Answer:
    """Ridge regression of the log total, with quantiles of its cross-validated residuals by the rank rule."""
    from sklearn.linear_model import RidgeCV
    from sklearn.model_selection import KFold, cross_val_predict

    def answer(history: JobTable, request: JobTable, quantity: Quantity) -> Floats:
        features = JobFeatures.of(history)
        x, y = features.matrix(history), np.log(history.job_total(quantity))
        x, y = x[np.isfinite(y)], y[np.isfinite(y)]
        centre, scale = x.mean(axis=0), np.where(x.std(axis=0) > 0, x.std(axis=0), 1.0)
        model = RidgeCV(alphas=np.logspace(-1, 3, 15))
        past = (x - centre) / scale
        residual = y - cross_val_predict(model, past, y, cv=KFold(10, shuffle=True, random_state=world.seed))
        middle = model.fit(past, y).predict((features.matrix(request) - centre) / scale)
        return np.exp(middle[:, None] + np.array([_rank_quantile(residual, level) for level in QUANTILE_LEVELS]))

    return _each(world, answer)


def structured_boosted(world: World) -> Answer:
    """Boosted quantiles of the structured learner's out-of-fold log residuals."""
    from models.consumption.learn import learn
    from models.consumption.predicting import predict

    history, request, figures = job_table(world.history), job_table(world.fresh), planning(world)
    fold = np.random.default_rng(world.seed).permutation(history.n_jobs) % N_FOLDS
    median = {q: np.empty(history.n_jobs) for q in QUANTITIES}
    for k in range(N_FOLDS):
        fitted = learn(history.take_jobs(fold != k), figures, seed=world.seed)
        left_out = predict(fitted, history.take_jobs(fold == k).without_figures(), seed=world.seed)
        for q in QUANTITIES:
            median[q][fold == k] = np.log(left_out.jobs(q).quantiles([0.5])[:, 0])
    whole = predict(learn(history, figures, seed=world.seed), request, seed=world.seed)
    return {
        q: boosted_residual_quantiles(
            history, request, q, QUANTILE_LEVELS, history_log_median=median[q],
            request_log_median=np.log(whole.jobs(q).quantiles([0.5])[:, 0]), seed=world.seed,
        )
        for q in QUANTITIES
    }  # fmt: skip


def _each(world: World, answer: Callable[[JobTable, JobTable, Quantity], Floats]) -> Answer:
    history, request = job_table(world.history), job_table(world.fresh)
    return {q: answer(history, request, q) for q in QUANTITIES}


def _rank_quantile(residual: Floats, level: float) -> float:
    """Return the finite-sample rank quantile of residuals, from below or above its middle; the extreme where none."""
    n = len(residual)
    ordered = np.sort(residual)
    upper = int(np.ceil((n + 1) * max(level, 1 - level) - 1e-12))
    rank = min(upper, n) - 1
    return float(ordered[rank] if level >= 0.5 else ordered[n - 1 - rank])


LEARNERS: dict[str, Learner] = {
    "structured": structured,
    "no_history": no_history,
    "shop": shop,
    "cell": cell,
    "linear": linear,
    "ridge": ridge,
    "boosted": boosted,
    "boosted_cqr": boosted_cqr,
    "structured_boosted": structured_boosted,
}
