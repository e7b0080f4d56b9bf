"""Effects of operators, machines and settings: shrunk, with intervals, tested one-sided for waste.

Tests rest on the joint fit: an operator is compared with colleagues by a contrast of jointly fitted coefficients, whose
variance holds the uncertainty of the expectation and the dependence between operators. Each family (operators,
machines, machines by zone, settings) is controlled by Benjamini & Hochberg (1995) by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.technique.shrinkage import Shrunk, shrink_alone
from shared.units import IN_PER_CM

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.technique.design import SettingScale
    from models.technique.likejobs import Fit

#: False-discovery rate of each family.
FALSE_DISCOVERY = 0.10
#: Jobs an operator, a machine or a machine in a zone needs before it is tested, and a setting.
LEAST_JOBS = 12
LEAST_SETTING_JOBS = 30
#: Errors of tests are widened by this: variances are learned and then taken as known, and on shops without waste the
#: statistics had standard deviations of 1.02 to 1.05.
PLUG_IN = 1.02
#: Operators and machines are tested against this much more than colleagues (log), not against exactly alike.
ALIKE = float(np.log(1.005))
#: Waste smaller than this is not worth a finding, however sure.
LEAST_RATIO = 1.03
#: Nothing nearer to the surface is called best, whatever it saves: the nozzle stays 8 to 10 in (20 to 25 cm) or more
#: away (common practice, no source).
LEAST_STANDOFF_IN = 20.0 * IN_PER_CM


@dataclass(frozen=True)
class Effect:
    """One effect on the log of pellets; positive means more than like jobs need.

    Attributes
    ----------
    kind : {"operator", "machine", "machine_zone", "setting"}
    name, zone : str
        Code or setting; `zone` is '' but for machine by zone.
    n_jobs : int
    raw, error : float
        Unshrunk estimate and its standard error.
    p_value, q_value : float
        One-sided for waste (two-sided for the slope of a setting); q within the family.
    posterior : Shrunk
        Of this one effect.
    best : float or None
        Setting only: the value in the usual range that needs least, in the setting's unit; of standoffs from
        `LEAST_STANDOFF_IN` up, the farthest where all are nearer.
    worse : str
        Setting only: "low", "high" or "both": where the waste lies.
    """

    kind: str
    name: str
    zone: str
    n_jobs: int
    raw: float
    error: float
    p_value: float
    q_value: float
    posterior: Shrunk
    best: float | None = None
    worse: str = ""

    @property
    def key(self) -> tuple[str, str, str]:
        """Kind, name and zone."""
        return self.kind, self.name, self.zone

    @property
    def ratio(self) -> float:
        """Shrunk ratio of actual to expected pellets: exp of the posterior median."""
        return float(np.exp(self.posterior.quantile(0.5)[0]))

    def interval(self, level: float) -> tuple[float, float]:
        """Return the central interval of the ratio."""
        low, high = (float(np.exp(self.posterior.quantile(0.5 + side * level / 2)[0])) for side in (-1, 1))
        return low, high

    @property
    def is_waste(self) -> bool:
        """Whether it is past the false-discovery rate and worth telling."""
        return self.q_value <= FALSE_DISCOVERY and self.ratio >= LEAST_RATIO

    @property
    def is_bound(self) -> bool:
        """Whether it is a standoff that surely takes less the nearer it is, down to where none may be advised."""
        near = self.name == "standoff_in" and self.best is not None and self.best <= LEAST_STANDOFF_IN
        return near and self.q_value <= FALSE_DISCOVERY and (self.worse == "high" or self.raw <= 0)


def benjamini_hochberg(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return adjusted p-values (q-values), shape (n,): min over larger ranks j of n p_(j) / j."""
    n = len(p)
    order = np.argsort(p, kind="stable")
    stepped = p[order] * n / np.arange(1, n + 1)
    q = np.empty(n)
    q[order] = np.minimum(1.0, np.minimum.accumulate(stepped[::-1])[::-1])
    return q


def with_q_values(effects: list[Effect]) -> list[Effect]:
    """Return effects of one family with their q-values."""
    if not effects:
        return []
    q = benjamini_hochberg(np.array([e.p_value for e in effects]))
    return [replace(e, q_value=float(v)) for e, v in zip(effects, q.tolist(), strict=True)]


def savings(effects: Sequence[Effect]) -> list[Effect]:
    """Return those of one family that surely take fewer pellets than like jobs need, tested as waste is.

    The test is that of the other side, beyond `ALIKE` below none (normal: who is looked at has many lines behind them),
    and the q-value is found among those of the family.
    """
    from scipy.special import ndtr

    turned = with_q_values([replace(e, p_value=float(ndtr((e.raw + ALIKE) / e.error))) for e in effects])
    return [e for e in turned if e.q_value <= FALSE_DISCOVERY and e.ratio <= 1 / LEAST_RATIO]


def jobs_of(table: JobTable, fit: Fit, kind: str) -> dict[str, int]:
    """Return how many jobs with recorded pellets each operator or machine has."""
    factor = table.machine if kind == "machine" else table.operator
    lines = fit.rows.order
    return {
        name: len(np.unique(table.line_job[lines][factor.codes[lines] == code]))
        for code, name in enumerate(factor.names)
    }


def tail_chance(statistic: float, degrees: float) -> float:
    """Return the upper tail of Student's t at a statistic."""
    from scipy.special import stdtr

    return float(stdtr(degrees, -statistic))


def _thrifty(raw: NDArray[np.float64], cov: NDArray[np.float64], jobs: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark those clearly below the middle one (by jobs): they are no measure of what others should need."""
    order = np.argsort(raw)
    middle = raw[order][np.searchsorted(np.cumsum(jobs[order]), 0.5 * jobs.sum())]
    marked = np.zeros(len(raw), dtype=np.bool_)
    for i in range(len(raw)):
        weight = np.where(np.arange(len(raw)) == i, 0.0, jobs)
        contrast = -weight / weight.sum()
        contrast[i] = 1.0
        error = float(np.sqrt(contrast @ cov @ contrast))
        marked[i] = raw[i] - middle < -3.0 * error
    return marked if jobs[marked].sum() < 0.5 * jobs.sum() else np.zeros(len(raw), dtype=np.bool_)


def reference_contrasts(
    raw: NDArray[np.float64], cov: NDArray[np.float64], jobs: NDArray[np.float64], apart: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return contrasts of each code with the job-weighted mean of the others, shape (n, n).

    Codes marked `apart` (graded differently) and clearly thrifty ones are left out of the others' mean, so that one
    thrifty colleague does not make waste of everybody else.
    """
    left_out = apart | _thrifty(raw, cov, jobs)
    n = len(raw)
    contrasts = np.eye(n)
    for i in range(n):
        other = np.arange(n) != i
        weight = np.where(other & ~left_out, jobs, 0.0)
        if weight.sum() == 0:
            weight = np.where(other, jobs, 0.0)
        contrasts[i] -= weight / weight.sum()
    return contrasts


def _level(table: JobTable, fit: Fit, kind: str, name: str) -> NDArray[np.float64]:
    """Return the gradient of a code's level: its coefficient, and changes in time that hold for most of its jobs.

    A fall that lasts counts however few jobs came after it: what was too much before it is over.
    """
    gradient = np.zeros(len(fit.coef))
    block, steps = fit.design.block(kind), fit.design.block("step")
    if block is not None:
        gradient[block.column(name)] = 1.0
    factor = table.machine if kind == "machine" else table.operator
    lines = fit.rows.order[factor.codes[fit.rows.order] == factor.names.index(name)]
    for label in steps.labels if steps is not None else ():
        if steps is not None and label.startswith(f"{kind}:{name}:"):
            column = steps.column(label)
            got_better = label.endswith(":None") and fit.coef[column] < 0
            gradient[column] = float(got_better or fit.design.lines[lines, column].mean() > 0.5)
    return gradient


def compare_codes(
    table: JobTable, fit: Fit, kind: str, *, apart: frozenset[str] = frozenset()
) -> tuple[list[Effect], list[tuple[str, int]]]:
    """Return the effects of operators or machines, and those with too few jobs (name, jobs).

    Parameters
    ----------
    kind : {"operator", "machine"}
    apart : frozenset of str
        Codes that do not count for what others should need.
    """
    block = fit.design.block(kind)
    counts = jobs_of(table, fit, kind)
    few = [(name, n) for name, n in counts.items() if 0 < n < LEAST_JOBS]
    names = [name for name, n in counts.items() if n >= LEAST_JOBS]
    if block is None or len(names) < 2:
        return [], few + [(name, counts[name]) for name in names]
    levels = np.array([_level(table, fit, kind, name) for name in names])
    raw, cov = levels @ fit.coef, levels @ fit.cov @ levels.T
    jobs = np.array([counts[name] for name in names], dtype=np.float64)
    contrasts = reference_contrasts(raw, cov, jobs, np.array([name in apart for name in names]))
    value = contrasts @ raw
    error = PLUG_IN * np.sqrt(np.einsum("ij,jk,ik->i", contrasts, cov, contrasts))
    effects = []
    for name, v, e in zip(names, value.tolist(), error.tolist(), strict=True):
        p = tail_chance((v - ALIKE) / e, fit.degrees)
        effects.append(Effect(kind, name, "", counts[name], v, e, p, 1.0, shrink_alone(v, e)))
    return with_q_values(effects), few


def unshrunk(fit: Fit, column: int) -> tuple[float, float]:
    """Return a coefficient's estimate and error with its own prior N(0, t^2) taken off again.

    With posterior mean m and variance v the estimate is m t^2/(t^2 - v), its variance t^2 v/(t^2 - v); the error is
    infinite where the record says less than a fifth of what the prior does.
    """
    mean, prior = float(fit.coef[column]), float(fit.prior_var[column])
    variance = float(fit.cov[column, column]) / fit.tail_factor
    if variance > prior / 1.2:
        return 0.0, float("inf")
    kept = prior / (prior - variance)
    return mean * kept, float(np.sqrt(variance * kept * fit.tail_factor))


def compare_cells(table: JobTable, fit: Fit) -> list[Effect]:
    """Return machine-by-zone effects beyond machine and zone.

    The block's prior is taken off again for the test (`unshrunk`).
    """
    block = fit.design.block("machine_zone")
    if block is None:
        return []
    lines = fit.rows.order
    effects = []
    for label in block.labels:
        machine, zone = label.split("|", 1)
        here = (table.machine.codes[lines] == table.machine.names.index(machine)) & (
            table.zone.codes[lines] == table.zone.names.index(zone)
        )
        n_jobs = len(np.unique(table.line_job[lines][here]))
        column = block.column(label)
        raw, error = unshrunk(fit, column)
        if n_jobs < LEAST_JOBS or not np.isfinite(error):
            continue
        mean, variance, prior = float(fit.coef[column]), float(fit.cov[column, column]), float(fit.prior_var[column])
        error *= PLUG_IN
        alone = Shrunk(np.sqrt([prior]), np.ones(1), np.array([[mean]]), np.sqrt([[variance]]))
        p = tail_chance(raw / error, fit.degrees)
        effects.append(Effect("machine_zone", machine, zone, n_jobs, raw, error, p, 1.0, alone))
    return with_q_values(effects)


def _best(scale: SettingScale, coef: NDArray[np.float64], known: NDArray[np.float64]) -> tuple[float, str]:
    """Return the best value in the usual range that may be advised, and where waste lies."""
    low, high = (float(q) for q in np.quantile(known, [0.1, 0.9]))
    if scale.name == "standoff_in":
        if high <= LEAST_STANDOFF_IN:
            return high, "low"
        low = max(low, LEAST_STANDOFF_IN)
    tried = np.linspace(low, high, 41)
    best = float(tried[int(np.argmin(scale.terms(tried) @ coef))])
    margin = 0.15 * (high - low)
    return best, "high" if best <= low + margin else "low" if best >= high - margin else "both"


def _setting_columns(fit: Fit, name: str) -> list[int]:
    block = fit.design.block("setting")
    labels = () if block is None else block.labels
    return [block.start + i for i, label in enumerate(labels) if block and label.split("|")[0] == name]


def setting_excess(
    fit: Fit, name: str, best: float, values: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the weighted mean excess (log) of recorded values of a setting over its best one, and its error.

    With t the setting's terms, b their coefficients with covariance V and g = sum w_i t(v_i) / sum w_i - t(best), the
    excess is g'b and its variance g'Vg. A line nearer than `LEAST_STANDOFF_IN` that needed less counts as at the best:
    it makes up for no other.
    """
    scale = next(s for s in fit.design.settings if s.name == name)
    columns = _setting_columns(fit, name)
    away = scale.terms(values) - scale.terms(np.array([best]))
    if name == "standoff_in":
        away[(values < LEAST_STANDOFF_IN) & (away @ fit.coef[columns] < 0)] = 0.0
    gradient = np.average(away, axis=0, weights=weight)
    variance = float(gradient @ fit.cov[np.ix_(columns, columns)] @ gradient)
    return float(gradient @ fit.coef[columns]), PLUG_IN * float(np.sqrt(max(variance, 1e-18)))


def compare_settings(table: JobTable, fit: Fit) -> tuple[list[Effect], list[tuple[str, int]]]:
    """Return the mean excess over each setting's best value in its usual range, and settings with too few jobs.

    A setting is tested by Wald's statistic on its slope (and curvature): F with 1 or 2 degrees of freedom; the ice
    age one-sided, since older ice is never better.
    """
    from scipy.special import fdtrc

    effects: list[Effect] = []
    few: list[tuple[str, int]] = []
    lines = fit.rows.order
    for scale in fit.design.settings:
        values = table.settings[scale.name][lines]
        known = ~np.isnan(values)
        n_jobs = len(np.unique(table.line_job[lines][known]))
        if n_jobs < LEAST_SETTING_JOBS:
            few.append((scale.name, n_jobs))
            continue
        columns = _setting_columns(fit, scale.name)
        coef, cov = fit.coef[columns], PLUG_IN**2 * fit.cov[np.ix_(columns, columns)]
        best, worse = _best(scale, coef, values[known])
        wald = float(coef @ np.linalg.solve(cov, coef))
        p = float(fdtrc(len(columns), fit.degrees, wald / len(columns)))
        if scale.name == "ice_age_days":
            p = tail_chance(float(coef[0] / np.sqrt(cov[0, 0])), fit.degrees)
        raw, error = setting_excess(fit, scale.name, best, values[known], np.ones(int(known.sum())))
        effects.append(
            Effect("setting", scale.name, "", n_jobs, raw, error, p, 1.0, shrink_alone(raw, error), best, worse)
        )
    return with_q_values(effects), few
