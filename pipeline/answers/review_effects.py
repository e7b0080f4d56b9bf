"""Every effect of the technique review with its interval, whether it stands out or not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.answers.review_findings import Ratio, ratio_of

if TYPE_CHECKING:
    from models.technique.review import Review


@dataclass(frozen=True)
class EffectTold:
    """One operator, machine (in one zone where `zone` is not '') or setting: pellets over what like jobs need."""

    kind: str
    name: str
    zone: str
    jobs: int
    ratio: Ratio


def effects_told(review: Review, level: float) -> tuple[EffectTold, ...]:
    """Return operators, machines and settings in the review's order."""
    return tuple(
        EffectTold(e.kind, e.name, e.zone, e.n_jobs, ratio_of(e.posterior, level))
        for e in (*review.operators, *review.machines, *review.settings)
    )
