"""Classes and zones that book.toml got after the last learning: answered by their own planning figures."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from models.consumption.planning import Planning
from shared.counting import some_named
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from models.consumption.fitted import FittedModel
    from models.consumption.planning import PlanningFigures

_MOST_NAMED = 5


def with_new_words(fitted: FittedModel, today: Planning) -> tuple[FittedModel, tuple[str, ...]]:
    """Return the fit with today's planning figures for words that it does not know, and those words.

    No job of such a word was learned from, so that its figures are no part of what was: a fit would have left them as
    they are. What the fit was made with stays, since its states are deviations from that.
    """
    both = [_joined(fitted.planning.of(q), today.of(q)) for q in QUANTITIES]
    known, now = fitted.planning.pellets_lb, today.pellets_lb
    new = (
        *(c for c in now.vehicle_class if c not in known.vehicle_class),
        *(z for z in now.zone if z not in known.zone),
    )
    return (replace(fitted, planning=Planning(*both)), new) if new else (fitted, ())


def _joined(known: PlanningFigures, today: PlanningFigures) -> PlanningFigures:
    return replace(
        known, zone={**today.zone, **known.zone}, vehicle_class={**today.vehicle_class, **known.vehicle_class}
    )


def new_words_told(new: Sequence[str]) -> str:
    """Return that words are new since the last learning, and what they count by."""
    named = some_named(new, _MOST_NAMED)
    return (
        f"New in book.toml since the last `rimebook learn`: {named}. Answers start there from the planning figures "
        "(`like` times `factor`, or the ones entered) and all else stands as learned; `rimebook learn` stores that."
    )
