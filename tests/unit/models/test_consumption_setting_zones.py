"""Settings that act by zone: which columns they get, what is found of them, and what rests on it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from models.consumption import learn as learning
from models.consumption.design import CELL, SETTING_ZONE_LINES, columns_of, rows_of, setting_score
from models.consumption.fitted import FittedModel
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.latent_soil import fit_soil
from models.consumption.planning import Planning, log_median
from models.consumption.predicting import predict
from models.consumption.priors import COMMON_SCALES, POOLED
from models.consumption.sampler import Chain, States
from shared.vocabulary import QUANTITIES

ZONES = ("engine_bay", "interior", "undercarriage")
#: What the square of the pressure's score adds to the log of an engine bay's pellets, and to no other zone's.
BEND = 0.3
LINE_SD = 0.2


def lines(zones: list[str], pressure: list[float], job: list[int] | None = None) -> JobTable:
    """Return lines without figures, each a job of its own unless `job` is given."""
    n = len(zones)
    of = np.arange(n) if job is None else np.array(job)
    n_jobs = int(of[-1]) + 1
    settings = {name: np.full(n, np.nan) for name in SETTINGS}
    settings["pressure_psi"] = np.array(pressure, dtype=np.float64)
    return JobTable(
        job_id=tuple(f"J{k:04d}" for k in range(n_jobs)), day=738_000 + np.arange(n_jobs),
        customer=Factor.of([""] * n_jobs), ambient_f=np.full(n_jobs, np.nan), line_job=of,
        vehicle_class=Factor.of(["van"] * n), zone=Factor.of(zones), machine=Factor.of(["m"] * n),
        operator=Factor.of(["o"] * n), soil=np.ones(n, dtype=np.int64), coating_removed=np.zeros(n, dtype=bool),
        settings=settings, pellets=Observed.nothing(n), minutes=Observed.nothing(n),
    )  # fmt: skip


def shop(n_jobs: int = 200, *, everywhere: bool = False, blank: float = 0.0) -> JobTable:
    """Return visits of two zones of three; the pressure tells in engine bays only or everywhere, a share is blank."""
    rng = np.random.default_rng(5)
    zones = [z for _ in range(n_jobs) for z in rng.permutation(ZONES)[:2].tolist()]
    job = np.repeat(np.arange(n_jobs), 2)
    pressure = rng.uniform(50, 140, n_jobs)[job]
    table = lines(zones, pressure.tolist(), job.tolist())
    bent = (np.array(zones) == "engine_bay") | everywhere
    group, seen = np.arange(2 * n_jobs), []
    for q, share in zip(QUANTITIES, (1.0, 0.5), strict=True):
        mean = log_median(table, Planning().of(q)) + share * BEND * bent * setting_score("pressure_psi", pressure) ** 2
        noise = LINE_SD * rng.standard_normal(2 * n_jobs) + 0.1 * rng.standard_normal(n_jobs)[job]
        seen.append(Observed(group, np.exp(mean + noise)))
    hidden = (rng.random(n_jobs) < blank)[job]
    settings = {**table.settings, "pressure_psi": np.where(hidden, np.nan, pressure)}
    return replace(table, pellets=seen[0], minutes=seen[1], settings=settings)


@pytest.fixture(scope="module")
def fitted() -> FittedModel:
    return learning.fit(shop(), Planning(), seed=1, n_states=200)


def pellets(fitted: FittedModel, zone: str, pressure: float) -> np.ndarray:
    """Return the log of the pellets of one job to come, (n_draws,)."""
    return np.log(predict(fitted, lines([zone], [pressure]), seed=1).jobs("pellets_lb").draws[0])


def width(draws: np.ndarray) -> float:
    """Return the width of the 80 % interval."""
    return float(np.diff(np.quantile(draws, [0.1, 0.9]))[0])


def bends(fitted: FittedModel, zone: str) -> float:
    """Return what 130 psi (a score of 2) take more than 80 (0), in the log of pellets."""
    return float(np.median(pellets(fitted, zone, 130.0)) - np.median(pellets(fitted, zone, 80.0)))


def test_zones_get_columns_where_enough_lines_tell() -> None:
    """So many lines with two values are enough and one fewer, or one value only, is not; the age of the ice acts alike
    everywhere."""
    n = SETTING_ZONE_LINES
    zones = ["a"] * n + ["b"] * n + ["c"] * (n - 1) + ["d"] * n + ["c"]
    pressure = [*np.linspace(80, 100, 3 * n - 1), *[90.0] * n, np.nan]
    table = lines(zones, pressure)
    table.settings["ice_age_days"][:] = np.arange(len(zones))
    keys = columns_of(table).blocks["setting_zone"]
    assert keys == tuple(f"pressure_psi{power}{CELL}{zone}" for power in ("", "^2") for zone in ("a", "b"))
    assert columns_of(table.take_jobs(np.arange(2 * n - 1))).blocks["setting_zone"] == ()
    assert columns_of(lines(["a"] * 3 * n, np.linspace(80, 100, 3 * n).tolist())).blocks["setting_zone"] == ()


def test_a_line_has_its_score_in_the_columns_of_its_zone() -> None:
    """The score and its square stand in the zone's two columns; a blank pressure and another zone have none there."""
    columns = columns_of(shop())
    asked = lines(["engine_bay", "interior", "engine_bay", "new"], [105.0, 130.0, np.nan, 105.0])
    block = rows_of(columns, asked).dense(columns.n, asked.soil)[:, columns.span("setting_zone")]
    row = {key: block[:, k].tolist() for k, key in enumerate(columns.blocks["setting_zone"])}
    assert row["pressure_psi\tengine_bay"] == [1.0, 0.0, 0.0, 0.0]
    assert row["pressure_psi\tinterior"] == [0.0, 2.0, 0.0, 0.0]
    assert row["pressure_psi^2\tinterior"] == [0.0, 4.0, 0.0, 0.0]
    assert row["pressure_psi^2\tundercarriage"] == [0.0] * 4


@pytest.mark.parametrize("large", [False, True])
def test_a_setting_is_found_in_the_zone_it_tells_in(
    fitted: FittedModel, monkeypatch: pytest.MonkeyPatch, *, large: bool
) -> None:
    """One zone bends with the pressure as it does and the others do not, by the sampler and in a large fit."""
    if large:
        monkeypatch.setattr(learning, "SAMPLED_JOBS", 100)
        monkeypatch.setattr(learning, "SCALE_JOBS", 150)
        fitted = learning.fit(shop(), Planning(), seed=1, n_states=200)
    assert bends(fitted, "engine_bay") == pytest.approx(4 * BEND, abs=0.12)
    for zone in ZONES[1:]:
        assert bends(fitted, zone) == pytest.approx(0.0, abs=0.12)


def test_a_setting_that_acts_alike_is_found_in_every_zone() -> None:
    """Where the law is the same everywhere each zone has it, and their own part is small."""
    fitted = learning.fit(shop(everywhere=True), Planning(), seed=1, n_states=200)
    for zone in ZONES:
        assert bends(fitted, zone) == pytest.approx(4 * BEND, abs=0.15)
    assert np.abs(fitted.states.b[:, 0, fitted.columns.span("setting_zone")]).mean() < 0.06


def test_a_blank_setting_is_answered_by_the_mix_in_that_zone(fitted: FittedModel) -> None:
    """Blank, an engine bay is as wide as the law over the shop's pressures makes it, an interior as with one given."""
    rng = np.random.default_rng(2)
    bent = BEND * setting_score("pressure_psi", rng.uniform(50, 140, 100_000)) ** 2
    law = bent + np.hypot(LINE_SD, 0.1) * rng.standard_normal(100_000)
    assert width(pellets(fitted, "engine_bay", np.nan)) == pytest.approx(width(law), rel=0.12)
    given = width(pellets(fitted, "interior", 80.0))
    assert width(pellets(fitted, "interior", np.nan)) == pytest.approx(given, rel=0.08)
    assert width(pellets(fitted, "engine_bay", np.nan)) > 1.5 * given


def test_a_zone_that_no_past_job_has_is_like_one_of_the_others(fitted: FittedModel) -> None:
    """A new zone bends as the engine bay does in a third of the scenarios and not at all in the others, in all of its
    lines alike; with a blank pressure too."""
    at_80 = pellets(fitted, "new", 80.0)
    two = np.log(predict(fitted, lines(["new", "new"], [130.0, 130.0], [0, 0]), seed=1).pellets.draws)
    # Its level, that of a zone nobody knows, has a stream of its own and cancels; the noise does not.
    bent = two - at_80 > 2 * BEND
    assert bent.mean() == pytest.approx(1 / 3, abs=0.05)
    assert np.mean(bent[0] == bent[1]) > 0.9
    top = [np.diff(np.quantile(draws - at_80, [0.5, 0.95])) for draws in (pellets(fitted, "new", 80.5), two[0])]
    blank = np.diff(np.quantile(pellets(fitted, "new", np.nan) - at_80, [0.5, 0.95]))
    assert 1.3 * top[0] < blank < top[1]


def test_a_zone_always_worked_alike_is_answered_by_its_own_record() -> None:
    """Undercarriages at one pressure, or without one, beside engine bays that bend: no width and level of theirs."""
    rng = np.random.default_rng(3)
    for pressure in (130.0, np.nan):
        zones = ["engine_bay", "interior"] * 80 + ["undercarriage"] * 80
        told = np.append(rng.uniform(50, 140, 160), np.full(80, pressure))
        table = lines(zones, told.tolist())
        bent = BEND * (np.array(zones) == "engine_bay") * setting_score("pressure_psi", told) ** 2
        seen = [
            Observed(
                np.arange(240), np.exp(log_median(table, Planning().of(q)) + bent + 0.2 * rng.standard_normal(240))
            )
            for q in QUANTITIES
        ]
        model = learning.fit(replace(table, pellets=seen[0], minutes=seen[1]), Planning(), seed=1, n_states=100)
        drawn = pellets(model, "undercarriage", pressure)
        assert width(drawn) < 1.35 * 2 * 1.2816 * 0.2
        assert np.median(drawn) == pytest.approx(np.median(np.log(seen[0].value[160:])), abs=0.08)


def test_a_new_zone_takes_both_terms_of_one_zone(fitted: FittedModel) -> None:
    """Where slope and bend of a zone make up for each other at a pressure, they do in a new zone too."""
    at, b = fitted.columns.keyed(), fitted.states.b.copy()
    b[:, :, fitted.columns.span("setting_zone")] = 0.0
    b[:, :, at["setting_zone", "pressure_psi" + CELL + "engine_bay"]] = 2.0
    b[:, :, at["setting_zone", "pressure_psi^2" + CELL + "engine_bay"]] = -1.0
    even = replace(fitted, states=replace(fitted.states, b=b))
    for pressure, alike in ((130.0, True), (105.0, False)):
        off = width(pellets(even, "new", pressure) - pellets(even, "new", 80.0))
        assert (off < 1.3 * width(pellets(even, "interior", pressure) - pellets(even, "interior", 80.0))) == alike


def test_a_pressure_that_nobody_wrote_down_is_drawn_in_its_zone() -> None:
    """What stands for a blank is in the setting's columns and in those of each line's zone, and the zone is found."""
    table = learning.in_order(shop(blank=0.3))
    columns = columns_of(table)
    chain = Chain(table, Planning(), columns, fit_soil(table), np.random.default_rng(1))
    chain.run(5, 1)
    at, x = columns.keyed(), chain.targets[0].x
    blank = np.flatnonzero(np.isnan(table.settings["pressure_psi"])[chain.targets[0].lines])
    zone = np.array(table.zone.words())[chain.targets[0].lines][blank]
    for key in ("pressure_psi", "pressure_psi^2"):
        drawn = x[blank, at["setting", key]]
        assert drawn.any()
        for word in ZONES:
            own = x[blank, at["setting_zone", key + CELL + word]]
            assert own == pytest.approx(np.where(zone == word, drawn, 0.0))
    assert bends(learning.fit(table, Planning(), seed=1, n_states=200), "engine_bay") == pytest.approx(1.2, abs=0.2)


def test_a_fit_that_was_stored_before_has_no_such_columns() -> None:
    """It is read as it stands and answers as the fit did; one that has them answers alike when read again."""
    few = learning.fit(shop(4), Planning(), seed=1, n_states=30)
    assert few.columns.blocks["setting_zone"] == ()
    body = json.loads(few.to_json())
    del body["columns"]["setting_zone"]
    shape = body["states"]["tau"]["shape"]
    tau = np.array(body["states"]["tau"]["values"]).reshape(shape)[:, :, :-1]
    body["states"]["tau"] = {"shape": tau.shape, "values": tau.ravel().tolist()}
    for fitted, text in ((few, json.dumps(body)), (few, few.to_json())):
        for zone, pressure in (("engine_bay", np.nan), ("new", 130.0)):
            read = FittedModel.from_json(text)
            assert np.array_equal(pellets(read, zone, pressure), pellets(fitted, zone, pressure))


def test_a_stored_fit_answers_alike(fitted: FittedModel) -> None:
    """Cells of settings and zones are read back as they were."""
    read = FittedModel.from_json(fitted.to_json())
    assert read.columns == fitted.columns
    for zone in ("engine_bay", "new"):
        assert np.array_equal(pellets(read, zone, 130.0), pellets(fitted, zone, 130.0))


def test_shops_without_it_are_answered_as_if_there_were_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where it has no columns not a number is drawn for it, and its scale stays near its guess."""
    table = learning.in_order(shop(30, blank=1.0))

    def states() -> States:
        return Chain(table, Planning(), columns_of(table), fit_soil(table), np.random.default_rng(1)).run(10, 50)

    now = states()
    assert np.abs(np.log(now.tau[:, :, -1] / POOLED["setting_zone"])).max() < np.log(COMMON_SCALES[-1]) + 1e-9
    monkeypatch.delitem(POOLED, "setting_zone")
    before = states()
    assert np.array_equal(now.b, before.b)
    assert np.array_equal(now.tau[:, :, :-1], before.tau)
