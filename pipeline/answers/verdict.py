"""The verdict on past intervals: whether they held as often as they say, told alike wherever it is told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from models.consumption.mapping import LEARNED, LEAST_SCORES
from shared.counting import counted
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from numpy.typing import NDArray

    from models.consumption.conformal import ProbitMap
    from shared.vocabulary import Quantity

LEVELS = (0.5, 0.8, 0.9, 0.95)
GROUP_LEVEL = 0.8
#: Levels by which intervals are called too narrow or too wide: a half tells a width sooner than the tails do.
_JUDGED = (0.5, 0.8)
#: Groups with fewer tested jobs are told to be small, not judged.
FEW_JOBS = 20
#: From so many on they tell an interval that holds from one that holds in a tenth fewer cases.
RELIED_JOBS = 100
_NAMES: dict[str, str] = {"pellets_lb": "pellets", "minutes": "minutes"}
_HELD = "Past 80 % intervals for {} held about as often as they say."
_HELD_SO_FAR = (
    "Past 80 % intervals for {{}} held about as often as they say, as far as {n} jobs can tell: of so few, honest ones "
    "hold in {low:.0f} to {high:.0f} % of cases. Log more before you rely on prices set by risk."
)
_NARROW = (
    "Past intervals for {} were too narrow: quote with a smaller risk share until newer jobs have been learned from."
)
_ABOVE = (
    "Past jobs took more {{}} than their 80 % interval reaches in {above:.0f} % of cases, where 10 % were promised: "
    "prices set by risk were too low."
)
_WIDE = "Past intervals for {} were wider than they needed to be: prices set by risk may be higher than they must be."


@dataclass(frozen=True)
class Held:
    """How often intervals of a level held what happened, over both quantities and each by itself.

    `jobs` have either quantity, `pellets_jobs` and `minutes_jobs` that one; `pellets_above` and `minutes_above` are the
    shares that took more than their interval.
    """

    level: float
    held: float
    jobs: int
    pellets_lb: float | None
    minutes: float | None
    pellets_jobs: int
    minutes_jobs: int
    pellets_above: float | None = None
    minutes_above: float | None = None

    def of(self, quantity: Quantity) -> tuple[float | None, int]:
        """Return (share held, jobs) of one quantity."""
        return (self.pellets_lb, self.pellets_jobs) if quantity == "pellets_lb" else (self.minutes, self.minutes_jobs)

    def above(self, quantity: Quantity) -> float:
        """Return the share of jobs that took more of a quantity than their interval, 0 where none was tested."""
        return (self.pellets_above if quantity == "pellets_lb" else self.minutes_above) or 0.0


class _Verdict(NamedTuple):
    """What is said of one quantity, with room for its name."""

    kind: Literal["few", "held", "narrow", "above", "wide"]
    text: str


def _inside(pit: NDArray[np.float64], level: float) -> float | None:
    tested = pit[np.isfinite(pit)]
    return float(np.mean(np.abs(tested - 0.5) <= level / 2)) if len(tested) else None


def _above(pit: NDArray[np.float64], level: float) -> float | None:
    tested = pit[np.isfinite(pit)]
    return float(np.mean(tested - 0.5 > level / 2)) if len(tested) else None


def held_at(pit: NDArray[np.float64], level: float) -> Held | None:
    """Return how often central intervals of a level held what happened, from PITs (2, n); None where none was tested.

    PITs are NaN where a total is not recorded.
    """
    both = _inside(pit, level)
    if both is None:
        return None
    tested = np.isfinite(pit)
    n_pellets, n_minutes = tested.sum(axis=1).tolist()
    return Held(
        level, both, int(tested.any(axis=0).sum()), _inside(pit[0], level), _inside(pit[1], level), n_pellets,
        n_minutes, _above(pit[0], level), _above(pit[1], level),
    )  # fmt: skip


def held_levels(pit: NDArray[np.float64]) -> tuple[Held, ...]:
    """Return `held_at` of each of `LEVELS`, empty where nothing was tested."""
    return tuple(held for level in LEVELS if (held := held_at(pit, level)) is not None)


def verdicts(levels: tuple[Held, ...]) -> tuple[str, ...]:
    """Return what is said of past intervals in plain words, from `held_levels`."""
    main = next((h for h in levels if h.level == GROUP_LEVEL), None)
    if main is None:
        return ("No past job could be tested yet: log more jobs, then run `rimebook learn`.",)
    if main.jobs < FEW_JOBS:
        tested = counted(main.jobs, "past job")
        return (
            f"Only {tested} could be tested: too few to say whether the intervals hold. Log more, then learn again.",
        )
    return tuple(_verdicts(levels))


def narrow(levels: tuple[Held, ...], among: Collection[Quantity]) -> tuple[str, ...]:
    """Return what `verdicts` says of intervals that made prices too low, of some quantities; empty where none did."""
    main = next((h for h in levels if h.level == GROUP_LEVEL), None)
    if main is None or main.jobs < FEW_JOBS:
        return ()
    found = {q: _verdict(levels, q) for q in QUANTITIES if q in among}
    return tuple(_told({q: verdict for q, verdict in found.items() if verdict.kind in {"narrow", "above"}}))


def _verdicts(levels: tuple[Held, ...]) -> Iterator[str]:
    """Judge each quantity by itself: pooled, intervals too narrow for one hide behind those too wide for the other."""
    found = {q: _verdict(levels, q) for q in QUANTITIES}
    if {verdict.text for verdict in found.values()} == {_HELD}:
        yield "Past 80 % intervals held about as often as they say: prices set by risk can be relied on."
    else:
        yield from _told(found)


def _told(found: dict[Quantity, _Verdict]) -> Iterator[str]:
    for verdict in dict.fromkeys(found.values()):
        yield verdict.text.format(" and ".join(_NAMES[q] for q, other in found.items() if other == verdict))


def _verdict(levels: tuple[Held, ...], quantity: Quantity) -> _Verdict:
    """Return what is said of one quantity; prices set by risk rest on the upper end alone, so it is judged as well."""
    shares = [(h.level, *h.of(quantity)) for h in levels if h.level in _JUDGED]
    n = min((jobs for _, _, jobs in shares), default=0)
    beyond = [
        held - level for level, held, jobs in shares if held is not None and abs(held - level) > _band(level, jobs)
    ]
    if n < FEW_JOBS:
        tested = f"Only {counted(n, 'past job')}" if n else "No past job"
        return _Verdict("few", f"{tested} with {{}} could be tested: too few to say whether those intervals hold.")
    if beyond and min(beyond) < 0:
        return _Verdict("narrow", _NARROW)
    above = next((h.above(quantity) for h in levels if h.level == GROUP_LEVEL), 0.0)
    promised = (1 - GROUP_LEVEL) / 2
    if above - promised > _band(promised, n):
        return _Verdict("above", _ABOVE.format(above=100 * above))
    if beyond:
        return _Verdict("wide", _WIDE)
    if n >= RELIED_JOBS:
        return _Verdict("held", _HELD)
    low, high = (100 * min(GROUP_LEVEL + side * _band(GROUP_LEVEL, n), 1.0) for side in (-1, 1))
    return _Verdict("held", _HELD_SO_FAR.format(n=n, low=low, high=high))


def _band(level: float, jobs: int) -> float:
    """Return how far from its level an honest interval may hold by chance."""
    return 0.02 + 2 * float(np.sqrt(level * (1 - level) / max(jobs, 1)))


_CORRECTIONS = {
    "whole": "corrected by how all past jobs fell",
    "recent": "corrected by how recent jobs fell",
    "kinds": "corrected by how past jobs of the same kind fell (zones, worst soil, class)",
}


def corrections(maps: dict[Quantity, ProbitMap]) -> Iterator[str]:
    """Tell which answers are corrected by how past jobs fell, and which need it no more."""
    for quantity, level_map in maps.items():
        name = _NAMES[quantity]
        if level_map.rule in _CORRECTIONS:
            yield (
                f"Answers for {name} are {_CORRECTIONS[level_map.rule]}, as far as the fit has not learned that by "
                "itself: it would have answered later jobs better. What is told of past intervals is how they held "
                "before that."
            )
        elif level_map.rule == LEARNED:
            yield (
                f"Past intervals for {name} lay too high or too low for a time; the fit has learned that since, and "
                "its answers need no correction for it."
            )


def corrected(maps: dict[Quantity, ProbitMap]) -> Iterator[str]:
    """Tell what `corrections` does, and which answers have none though there were jobs enough to find one."""
    yield from corrections(maps)
    kept = [_NAMES[q] for q, level_map in maps.items() if level_map.rule == "none" and level_map.n >= LEAST_SCORES]
    if kept:
        yield (
            f"Answers for {' and '.join(kept)} are quoted as they were learned: no correction would have answered "
            "later jobs clearly better."
        )
