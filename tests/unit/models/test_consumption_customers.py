"""What a customer's visits take beside those of others: the effect, the scatter, and what a newcomer keeps."""

import numpy as np
import pytest

from models.consumption.customers import CustomerRecord, draw_customer, with_customer


def customers_of(n_each: int, effects: list[float], seed: int) -> CustomerRecord:
    rng = np.random.default_rng(seed)
    code = np.repeat(np.arange(len(effects)), n_each)
    residual = np.array(effects)[code] + rng.normal(0, 0.25, (2, len(code)))
    return record_of(residual, code)


def record_of(residual: np.ndarray, code: np.ndarray) -> CustomerRecord:
    return CustomerRecord(residual, residual / np.nanstd(residual), code)


def test_customer_with_many_visits_keeps_its_effect_and_one_visit_is_shrunk() -> None:
    """Forty visits say nearly all, one visit little; a newcomer has the spread that customers have."""
    effects = [0.4, -0.4, 0.3, -0.3, 0.2, -0.2, 0.0]
    many = customers_of(40, effects, 3)
    record = record_of(np.hstack([many.residual, [[0.8], [0.8]]]), np.append(many.code, 7))
    rng = np.random.default_rng(4)
    known = draw_customer(record, 0, n_draws=4000, rng=rng)
    once = draw_customer(record, 7, n_draws=4000, rng=rng)
    new = draw_customer(record, -1, n_draws=4000, rng=rng)
    assert known.n_visits == 40
    assert known.effect.mean(axis=1) == pytest.approx([0.4, 0.4], abs=0.12)
    assert once.n_visits == 1
    assert (once.effect.mean(axis=1) > 0.2).all()
    assert (once.effect.mean(axis=1) < 0.75).all()
    assert new.effect.std(axis=1) == pytest.approx([0.3, 0.3], abs=0.08)
    assert known.effect.std() < once.effect.std() < new.effect.std()


def test_customers_that_do_not_differ_add_nothing() -> None:
    """The sd between customers goes to 0 where there is none, and so does the effect."""
    drawn = draw_customer(customers_of(60, [0.0] * 8, 5), 0, n_draws=2000, rng=np.random.default_rng(1))
    assert np.median(drawn.tau) < 0.06
    assert abs(drawn.effect.mean()) < 0.04


def test_one_visit_of_a_newcomer_keeps_its_spread_and_twelve_do_not_average_it_away() -> None:
    """What customers differ by moves from the own noise to what is shared: same spread of one, wider sum of twelve."""
    rng = np.random.default_rng(6)
    totals = np.exp(0.35 * rng.standard_normal((24, 6000)))
    new = draw_customer(customers_of(30, [0.3, -0.3, 0.25, -0.25, 0.1, -0.1], 7), -1, n_draws=6000, rng=rng)
    shared = with_customer(totals, new, 0)
    assert np.log(shared[0]).std() == pytest.approx(0.35, rel=0.12)
    assert np.log(shared[:12].sum(axis=0)).std() > 2 * np.log(totals[:12].sum(axis=0)).std()


def test_a_customer_with_nearly_all_visits_is_quoted_as_without_a_name() -> None:
    """Answers are centred on visits: of 200 the main customer's 180 have no effect, the small ones' all of theirs."""
    rng = np.random.default_rng(8)
    code = np.concatenate([np.zeros(180, dtype=np.int64), np.repeat(np.arange(1, 5), 5)])
    level = np.where(code == 0, 0.06, -0.54)
    residual = level + rng.normal(0, 0.2, (2, 200))
    main = draw_customer(record_of(residual, code), 0, n_draws=4000, rng=rng)
    small = draw_customer(record_of(residual, code), 1, n_draws=4000, rng=rng)
    assert main.effect.mean(axis=1) == pytest.approx([0.06, 0.06], abs=0.04)
    assert small.effect.mean(axis=1) == pytest.approx([-0.54, -0.54], abs=0.2)


def test_visits_without_a_name_count_in_where_answers_are_centred() -> None:
    """A named customer's effect is from all visits, not from the named ones alone."""
    rng = np.random.default_rng(9)
    code = np.concatenate([np.full(150, -1), np.zeros(50, dtype=np.int64)])
    residual = np.where(code == 0, 0.45, -0.15) + rng.normal(0, 0.2, (2, 200))
    named = draw_customer(record_of(residual, code), 0, n_draws=4000, rng=rng)
    assert named.effect.mean(axis=1) == pytest.approx([0.45, 0.45], abs=0.06)


def test_a_quiet_customer_is_answered_narrower_and_a_loud_one_wider() -> None:
    """Sd of .05 and .5 about one mean, ninety visits each: the sd of the answers follow, within the limits."""
    rng = np.random.default_rng(10)
    code = np.repeat([0, 1], 90)
    residual = rng.normal(0, np.where(code == 0, 0.05, 0.5), (2, 180))
    totals = np.exp(0.35 * rng.standard_normal((1, 6000)))
    told = [
        np.log(with_customer(totals, draw_customer(record_of(residual, code), c, n_draws=6000, rng=rng), 0)).std()
        for c in (0, 1)
    ]
    assert told[0] < 0.24
    assert 0.42 < told[1] < 0.55


def test_customers_that_scatter_alike_keep_the_usual_scatter() -> None:
    """Five customers without a difference: one job of any is answered within a tenth of what it was."""
    rng = np.random.default_rng(11)
    record = customers_of(30, [0.0] * 5, 12)
    totals = np.exp(0.35 * rng.standard_normal((1, 6000)))
    for c in range(5):
        told = with_customer(totals, draw_customer(record, c, n_draws=6000, rng=rng), 0)
        assert np.log(told).std() == pytest.approx(0.35, rel=0.15)


def test_a_record_without_scores_leaves_the_scatter_alone() -> None:
    """Where no score is known the customer's visits scatter as all do."""
    record = CustomerRecord(np.array([[0.1, -0.1, 0.2, 0.0]] * 2), np.full((2, 4), np.nan), np.zeros(4, dtype=np.int64))
    drawn = draw_customer(record, 0, n_draws=50, rng=np.random.default_rng(1))
    assert drawn.own == (1.0, 1.0)


def test_one_visit_of_the_only_named_customer_says_little() -> None:
    """Two hundred visits of nobody at their usual level: one named visit at 1.8 times it makes no dear customer."""
    rng = np.random.default_rng(13)
    residual = np.append(rng.normal(0, 0.35, (2, 200)), [[0.6], [0.6]], axis=1)
    record = record_of(residual, np.append(np.full(200, -1), 0))
    drawn = draw_customer(record, 0, n_draws=4000, rng=rng)
    assert np.median(drawn.effect) < 0.05
    assert drawn.effect.mean() < 0.2


def test_a_customer_with_few_visits_is_no_wider_than_a_newcomer() -> None:
    """What customers differ by is in the draws already: where they differ a known one's range is the narrower."""
    rng = np.random.default_rng(14)
    effects = (0.3 * rng.standard_normal(40)).tolist()
    totals = np.exp(np.hypot(0.3, 0.25) * rng.standard_normal((1, 8000)))
    drawn = draw_customer(customers_of(2, effects, 15), 5, n_draws=8000, rng=rng)
    assert np.log(with_customer(totals, drawn, 0)).std() < 0.95 * np.log(totals).std()


def test_a_quantity_without_a_record_keeps_the_spread_of_a_newcomer() -> None:
    """A customer of which only pellets are on record has its own range in them alone."""
    rng = np.random.default_rng(16)
    many = customers_of(30, [0.4, -0.4, 0.1], 17)
    residual = many.residual.copy()
    residual[1, many.code == 0] = np.nan
    drawn = draw_customer(record_of(residual, many.code), 0, n_draws=4000, rng=rng)
    assert drawn.own[0] < 1
    assert np.isnan(drawn.own[1])
    assert drawn.effect[0].mean() == pytest.approx(0.37, abs=0.12)
    assert abs(drawn.effect[1].mean()) < 0.05
