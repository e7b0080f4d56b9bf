"""The noise dose of the planned blasting, bare and as protected."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.air.noise import (
    NIOSH_LIMIT,
    RULES,
    NoiseRule,
    Protector,
    dose_percent,
    level_label,
    level_niosh,
    level_osha_half,
    minutes_to_limit,
    twa_dba,
)
from pipeline.answers.answer import QuantitySummary, summarise

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Protection:
    """What is worn: the label's NRR, its kind (for NIOSH's derating), and whether a second one is worn over it."""

    nrr_db: float
    protector: Protector = "muffs"
    second: bool = False


@dataclass(frozen=True)
class NoiseAnswer:
    """A rule's view of the shift's blasting.

    Attributes
    ----------
    rule : str
        The rule, and how protection was counted.
    dose_percent : QuantitySummary
    twa_dba : QuantitySummary or None
        None where some scenario has no dose at all.
    minutes_to_limit : float or None
        Minutes of trigger time to the rule's limit, None where that level never reaches it.
    limit_percent : float
        Dose the rule speaks of.
    chance_exceeded : float
        Share of scenarios in which the dose is beyond it, or in which anything is blasted above the rule's ceiling.
    credit_db : float or None
        What the rule takes off the level for the protection, 0 where it earns none; None at the bare ear.
    """

    rule: str
    dose_percent: QuantitySummary
    twa_dba: QuantitySummary | None
    minutes_to_limit: float | None
    limit_percent: float
    chance_exceeded: float
    credit_db: float | None


def noise_answers(
    level_dba: float,
    trigger_min: NDArray[np.float64],
    protection: Protection | None,
    *,
    level: float,
    n_scores: int,
) -> tuple[NoiseAnswer, ...]:
    """Return the noise dose by each rule, bare and, where protection is worn, with it.

    Parameters
    ----------
    level_dba : float
        At the ear while blasting; the rest of the shift is taken as quiet.
    trigger_min : float64 array (n_draws,)
        Minutes with the trigger pulled.
    protection : Protection or None
    """
    cases: list[tuple[NoiseRule, float | None]] = [(rule, None) for rule in RULES]
    if protection is not None:
        cases += _protected(level_dba, protection)

    def answer(rule: NoiseRule, credit_db: float | None) -> NoiseAnswer:
        heard_dba = level_dba - (credit_db or 0.0)
        dose = dose_percent([heard_dba], trigger_min[None, :] / 60.0, rule)
        twa = twa_dba(dose, rule)
        minutes = minutes_to_limit(heard_dba, rule)
        # Above a rule's ceiling no time at all is allowed.
        most = 0.0 if rule.ceiling_dba is not None and heard_dba > rule.ceiling_dba else rule.limit_percent
        told = summarise(twa, level=level, n_scores=n_scores) if np.isfinite(twa).all() else None
        return NoiseAnswer(
            rule.name, summarise(dose, level=level, n_scores=n_scores), told, minutes if np.isfinite(minutes) else None,
            rule.limit_percent, float(np.mean(dose > most)), credit_db,
        )  # fmt: skip

    return tuple(answer(rule, credit) for rule, credit in cases)


def _protected(level_dba: float, worn: Protection) -> list[tuple[NoiseRule, float | None]]:
    """Return each rule with protection, and what it takes off the level for it."""
    second = " and a second protector" if worn.second else ""
    half = level_osha_half(level_dba, worn.nrr_db, second=worn.second)
    ways: list[tuple[NoiseRule, str, float]] = []
    for rule in RULES:
        if rule is NIOSH_LIMIT:
            heard = level_niosh(level_dba, worn.nrr_db, worn.protector)
            how = f"protected, NRR {worn.nrr_db:g} as worn ({worn.protector}, NIOSH derating)"
        else:
            heard, how = half, f"protected, half of NRR {worn.nrr_db:g} - 7{second} (OSHA field practice)"
        ways.append((rule, how, heard))
    how = f"protected, NRR {worn.nrr_db:g} by its label (29 CFR 1910.95 App. B)"
    ways.append((RULES[0], how, level_label(level_dba, worn.nrr_db)))
    cases: list[tuple[NoiseRule, float | None]] = []
    for rule, how, heard in ways:
        credit = max(level_dba - heard, 0.0)
        said = how if credit > 0 else f"{how}: no credit"
        cases.append((replace(rule, name=f"{rule.name}, {said}"), credit))
    return cases
