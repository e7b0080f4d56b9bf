"""The like-jobs fit: both grains, robustness, and what is left out of the expectation."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.consumption.jobs import Observed
from models.consumption.planning import Planning
from models.technique.design import build_design, time_cuts
from models.technique.likejobs import fit_like_jobs, log_expected, recorded_rows, technique_middle, whitener

sys.path.insert(0, str(Path(__file__).parents[2] / "statistical"))
from technique_worlds import Waste, simulate

FIGURES = Planning().pellets_lb


def _true_log_row(shop, rows):
    return np.log(np.add.reduceat(np.exp(shop.true_log_line[rows.order]), rows.first))


@pytest.mark.parametrize("totals_share", [0.0, 0.5, 1.0])
def test_expectation_follows_the_truth_at_either_grain(totals_share):
    """From lines, totals or both the expectation scatters around the true one by less than a third of the noise."""
    shop = simulate(3, totals_share=totals_share)
    fit = fit_like_jobs(shop.table, FIGURES)
    gap = log_expected(fit) - _true_log_row(shop, fit.rows)
    assert np.std(gap) < 0.13
    assert abs(np.mean(gap)) < 0.05


def test_rows_keep_jobs_together_and_every_line_once():
    """Rows are in job order, each line is in one row at most, and their values are those recorded."""
    table = simulate(5, n_jobs=60).table
    rows = recorded_rows(table, "pellets_lb")
    assert (np.diff(rows.job) >= 0).all()
    assert len(set(rows.order.tolist())) == len(rows.order)
    assert np.sort(np.exp(rows.log_value)) == pytest.approx(np.sort(table.pellets.value))


def test_operator_and_machine_are_left_out_of_the_expectation():
    """The expectation of a job does not change when its operator or machine codes are exchanged in the request."""
    shop = simulate(1, waste=Waste(operator={"op1": 0.3}))
    fit = fit_like_jobs(shop.table, FIGURES)
    middle = technique_middle(fit)
    assert (middle[fit.design.technique] == 0).all()
    block = fit.design.block("operator")
    others = [block.column(f"op{i}") for i in (0, 2, 3, 4)]
    assert fit.coef[block.column("op1")] - np.mean(fit.coef[others]) == pytest.approx(0.3, abs=0.08)


def test_unit_slips_move_the_expectation_little():
    """With one job in twenty written in the wrong unit the expectation stays within 3 % of the clean one on average."""
    clean, slipped = simulate(2, slips=0.0), simulate(2, slips=0.05)
    gap = log_expected(fit_like_jobs(slipped.table, FIGURES)) - log_expected(fit_like_jobs(clean.table, FIGURES))
    assert abs(np.mean(gap)) < 0.03
    assert fit_like_jobs(slipped.table, FIGURES).tail < 15


def test_noise_is_learned():
    """Line and job scales are found within a quarter from lines alone."""
    fit = fit_like_jobs(simulate(4, n_jobs=600, totals_share=0.0, spread=0.3).table, FIGURES)
    assert fit.sigma_line == pytest.approx(0.3 * np.sqrt(0.5), rel=0.25)
    assert fit.sigma_job == pytest.approx(0.3 * np.sqrt(0.5), rel=0.25)


def test_whitener_is_the_inverse_of_the_noise_covariance():
    """Applied to the covariance of a job's rows it gives the identity."""
    fit = fit_like_jobs(simulate(6, n_jobs=40, totals_share=0.0).table, FIGURES)
    job = fit.rows.job
    cov = np.diag(fit.row_var / fit.job_weight[job])
    cov += (job[:, None] == job[None, :]) * (fit.job_var / fit.job_weight)[job]
    assert whitener(fit).apply(cov) == pytest.approx(np.eye(len(job)), abs=1e-9)


def test_nothing_recorded_is_an_error():
    """A table without pellets cannot be fitted."""
    table = simulate(1, n_jobs=40).table
    with pytest.raises(ValueError, match="nothing was recorded"):
        fit_like_jobs(replace(table, pellets=Observed.nothing(table.n_lines)), FIGURES)


def test_design_leaves_out_columns_that_nothing_uses():
    """Every column of the design is used by some line, and blocks cover all columns once."""
    design = build_design(simulate(7, n_jobs=80, settings=True).table, FIGURES)
    assert (np.abs(design.lines).sum(axis=0) > 0).all()
    covered = np.concatenate([np.arange(b.columns.start, b.columns.stop) for b in design.blocks])
    assert covered.tolist() == list(range(design.lines.shape[1]))


def test_time_is_cut_only_where_jobs_are():
    """Few jobs or a short time give no cuts; a long record at most 24."""
    assert len(time_cuts(np.arange(20))) == 0
    assert 1 < len(time_cuts(np.arange(5000))) <= 24
