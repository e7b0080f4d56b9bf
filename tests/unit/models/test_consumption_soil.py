"""Soil that nobody wrote down: levels, the shop's shares and the chance of being written, drawn together."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.stats import norm

from models.consumption import learn as learning
from models.consumption.design import columns_of
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.latent_soil import PLANNING_SHARES, SoilModel, average, cuts_of, fit_soil
from models.consumption.planning import Planning, log_median
from models.consumption.predicting import predict
from models.consumption.sampler import Chain
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

SHARES = np.array([0.3, 0.4, 0.2, 0.1])
FACTOR = np.array([0.5, 1.0, 1.8, 3.0])


def jobs(soil: NDArray[np.int64], operator: NDArray[np.str_], amount: NDArray[np.float64], seed: int) -> JobTable:
    """Return jobs of one line; both quantities are planning without soil, times `amount`, line sd 0.15."""
    n, rng = len(soil), np.random.default_rng(seed)
    table = JobTable(
        job_id=tuple(f"{k:04d}" for k in range(n)),
        day=738_000 + np.arange(n),
        customer=Factor.of([""] * n),
        ambient_f=np.full(n, np.nan),
        line_job=np.arange(n),
        vehicle_class=Factor.of(["sedan"] * n),
        zone=Factor.of(rng.choice(["engine_bay", "interior", "undercarriage"], n).tolist()),
        machine=Factor.of(["m"] * n),
        operator=Factor.of(operator.tolist()),
        soil=np.ones(n, dtype=np.int64),
        coating_removed=np.zeros(n, dtype=bool),
        settings={name: np.full(n, np.nan) for name in SETTINGS},
        pellets=Observed.nothing(n),
        minutes=Observed.nothing(n),
    )
    figures = [
        np.exp(log_median(table, Planning().of(q)) + np.log(amount) + 0.15 * rng.standard_normal(n)) for q in QUANTITIES
    ]
    pellets, minutes = (Observed(np.arange(n), f) for f in figures)
    return replace(table, soil=soil, pellets=pellets, minutes=minutes)


def shop(written: tuple[float, ...], *, n: int = 300, seed: int = 1, factor: NDArray[np.float64] = FACTOR) -> JobTable:
    """Return a shop whose levels have `SHARES` and a `factor` each, and are written down with their chance."""
    rng = np.random.default_rng(seed)
    soil = rng.choice(4, n, p=SHARES)
    seen = np.where(rng.random(n) < np.array(written)[soil], soil, -1)
    return jobs(seen, np.full(n, "a"), factor[soil], seed)


def kept(table: JobTable) -> tuple[SoilModel, NDArray[np.float64], bool]:
    chain = Chain(table, Planning(), columns_of(table), fit_soil(table), np.random.default_rng(3))
    chain.run(150, 150)
    return *chain.soil.kept(), chain.soil.by_choice()


def shares_of(model: SoilModel) -> NDArray[np.float64]:
    return np.diff(norm.cdf(model.cuts), prepend=0.0, append=1.0)


def test_soil_written_mainly_where_heavy_does_not_mislead() -> None:
    """The shares of all lines are found, not those of the written ones, and heavy lines are seen to stay blank less."""
    model, unwritten, by_choice = kept(shop((0.1, 0.15, 0.9, 0.9)))
    assert by_choice
    assert unwritten[:2].min() > 2 * unwritten[2:].max()
    assert shares_of(model) == pytest.approx(SHARES, abs=0.07)


def test_soil_forgotten_by_chance_is_seen_as_that() -> None:
    """Blanks that do not depend on the level leave the chance of being written alike."""
    model, unwritten, by_choice = kept(shop((0.6, 0.6, 0.6, 0.6)))
    assert not by_choice
    assert unwritten.min() > 0.8 * unwritten.max()
    assert shares_of(model) == pytest.approx(SHARES, abs=0.07)


@pytest.mark.parametrize("large", [False, True])
def test_a_named_level_is_answered_as_it_is_where_only_heavy_soil_is_written(
    monkeypatch: pytest.MonkeyPatch, *, large: bool
) -> None:
    """A line called moderate takes what moderate lines take, in a sampled fit and in a large one alike."""
    if large:
        monkeypatch.setattr(learning, "SAMPLED_JOBS", 100)
        monkeypatch.setattr(learning, "SCALE_JOBS", 250)
    table = shop((0.1, 0.15, 0.9, 0.9))
    fitted = learning.fit(table, Planning(), seed=1)
    asked = jobs(np.ones(1, dtype=np.int64), np.array(["a"]), np.ones(1), 5)
    median = predict(fitted, asked.without_figures(), seed=1).jobs("pellets_lb").quantiles([0.5])[0, 0]
    truth = float(np.exp(log_median(asked, Planning().of("pellets_lb")))[0])
    assert median == pytest.approx(truth, rel=0.13)


def test_a_shop_that_never_wrote_soil_answers_a_named_level_with_more_doubt() -> None:
    """Levels that do not stand apart in the figures are not told apart: the interval is wider than where written."""
    asked = jobs(np.array([3]), np.array(["a"]), np.ones(1), 5).without_figures()
    width = []
    for written in ((1.0,) * 4, (0.0,) * 4):
        fitted = learning.fit(shop(written, n=150, factor=np.array([0.8, 1.0, 1.2, 1.6])), Planning(), seed=1)
        low, high = predict(fitted, asked, seed=1).jobs("pellets_lb").quantiles([0.1, 0.9])[0]
        width.append(float(np.log(high / low)))
    assert width[1] > 1.3 * width[0]


def test_shares_of_several_draws_are_averaged() -> None:
    """The mean has the mean share of each level, and a word that one of them lacks counts as 0."""
    one = SoilModel(cuts_of(np.array([0.1, 0.2, 0.3, 0.4])), {"z": 0.2}, {}, (0.1, 0.0), 0.4, 9)
    two = SoilModel(cuts_of(np.array([0.3, 0.4, 0.2, 0.1])), {}, {"c": 0.4}, (0.3, 0.2), 0.6, 9)
    mean = average([one, two])
    assert shares_of(mean) == pytest.approx([0.2, 0.3, 0.25, 0.25])
    assert mean.zone == pytest.approx({"z": 0.1})
    assert mean.vehicle_class == pytest.approx({"c": 0.2})
    assert mean.season == pytest.approx((0.2, 0.1))
    assert mean.job_share == pytest.approx(0.5)


def test_without_a_written_level_the_shares_are_those_of_planning() -> None:
    """Before anything is written down the shop's soil is what the planning shares say."""
    assert shares_of(fit_soil(shop((0.0,) * 4, n=20))) == pytest.approx(PLANNING_SHARES)
