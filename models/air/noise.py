"""Noise dose of a shift by OSHA's and NIOSH's rules, protection as worn, and levels added up.

Sources: 29 CFR 1910.95 Appendix A (dose, TWA, Table G-16a), Appendix B (protection); 29 CFR 1910.95 Table G-16 (to 115
dBA); OSHA CPL 02-02-035 Appendix A (field practice: half); NIOSH 98-126 (85 dBA, 3 dB, derating). That the action-level
dose counts from 80 dBA is 1910.95(d)(2)(i), given from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

Protector = Literal["muffs", "formable", "other"]

#: What NIOSH 98-126 leaves of a labelled NRR: 75 % for muffs, 50 % for formable plugs, 30 % for other plugs.
NIOSH_KEPT_SHARE: Final[dict[str, float]] = {"muffs": 0.75, "formable": 0.5, "other": 0.3}
#: The label's rating is for C-weighted levels; 7 dB are taken off for A-weighted ones.
C_TO_A_DB: Final = 7.0
SECOND_PROTECTOR_DB: Final = 5.0
#: Table G-16 ends here: no time at all above it.
OSHA_CEILING_DBA: Final = 115.0


@dataclass(frozen=True)
class NoiseRule:
    """A rule for adding up noise over a shift.

    Attributes
    ----------
    name : str
    criterion_dba : float
        Level at which 8 hours are a dose of 100 %.
    exchange_db : float
        Rise in level that halves the time.
    counts_from_dba : float
        Lower levels do not count.
    limit_percent : float
        Dose the rule speaks of.
    ceiling_dba : float or None
        Level above which no time is allowed, where the rule names one.
    source : str
    """

    name: str
    criterion_dba: float
    exchange_db: float
    counts_from_dba: float
    limit_percent: float
    ceiling_dba: float | None
    source: str


OSHA_LIMIT: Final = NoiseRule("OSHA limit", 90, 5, 90, 100, OSHA_CEILING_DBA, "29 CFR 1910.95 Table G-16")
OSHA_ACTION: Final = NoiseRule("OSHA action level", 90, 5, 80, 50, None, "29 CFR 1910.95(c), App. A")
NIOSH_LIMIT: Final = NoiseRule("NIOSH recommended limit", 85, 3, 80, 100, None, "NIOSH 98-126")
RULES: Final = (OSHA_LIMIT, OSHA_ACTION, NIOSH_LIMIT)


def reference_hours(level_dba: ArrayLike, rule: NoiseRule) -> NDArray[np.float64]:
    """Return the hours at a level that make a dose of 100 %: T = 8 / 2^((L - criterion) / exchange)."""
    return np.asarray(8.0 / 2.0 ** ((np.asarray(level_dba, dtype=np.float64) - rule.criterion_dba) / rule.exchange_db))


def dose_percent(level_dba: ArrayLike, hours: ArrayLike, rule: NoiseRule) -> NDArray[np.float64]:
    """Return the dose D = 100 sum C / T in percent.

    Parameters
    ----------
    level_dba : array (n_periods,)
    hours : array (n_periods,) or (n_periods, n_draws)
        Time at each level, >= 0.

    Returns
    -------
    float64 array () or (n_draws,)
    """
    levels = np.asarray(level_dba, dtype=np.float64)
    weight = np.where(levels >= rule.counts_from_dba, 100.0 / reference_hours(levels, rule), 0.0)
    return np.asarray(weight @ np.asarray(hours, dtype=np.float64), dtype=np.float64)


def twa_dba(dose: ArrayLike, rule: NoiseRule) -> NDArray[np.float64]:
    """Return the 8-hour average level of a dose: criterion + exchange / log10(2) log10(D / 100); -inf for no dose.

    For OSHA this is 16.61 log10(D / 100) + 90, for NIOSH 10 log10(D / 100) + 85 (3 / log10(2) = 9.97 is printed as
    10 there, and used so).
    """
    factor = 10.0 if rule.exchange_db == 3 else rule.exchange_db / np.log10(2.0)
    with np.errstate(divide="ignore"):
        return np.asarray(factor * np.log10(np.asarray(dose, dtype=np.float64) / 100.0) + rule.criterion_dba)


def minutes_to_limit(level_dba: float, rule: NoiseRule) -> float:
    """Return the minutes at a level until the rule's dose is used up; infinite where the level does not count."""
    if level_dba < rule.counts_from_dba:
        return float("inf")
    if rule.ceiling_dba is not None and level_dba > rule.ceiling_dba:
        return 0.0
    return float(60.0 * reference_hours(level_dba, rule) * rule.limit_percent / 100.0)


def level_label(level_dba: float, nrr_db: float) -> float:
    """Return the level under protection by the label: L - (NRR - 7) for an A-weighted level (29 CFR 1910.95 App. B)."""
    return level_dba - (nrr_db - C_TO_A_DB)


def level_osha_half(level_dba: float, nrr_db: float, *, second: bool = False) -> float:
    """Return the level by OSHA's field practice: L - (NRR - 7) / 2, 5 dB less with a second protector over the first.

    CPL 02-02-035 App. A; not for compliance under 1910.95(j). `nrr_db` is that of the better protector.
    """
    return level_dba - (nrr_db - C_TO_A_DB) / 2 - (SECOND_PROTECTOR_DB if second else 0.0)


def level_niosh(level_dba: float, nrr_db: float, protector: Protector) -> float:
    """Return the level as worn by NIOSH's derating: L - (kept share x NRR - 7), never above the bare level."""
    return min(level_dba, level_dba - (NIOSH_KEPT_SHARE[protector] * nrr_db - C_TO_A_DB))


def added_dba(levels_dba: ArrayLike) -> float:
    """Return the level of several sources together: 10 log10 sum 10^(L / 10)."""
    levels = np.asarray(levels_dba, dtype=np.float64)
    return float(10.0 * np.log10(np.sum(10.0 ** (levels / 10.0))))
