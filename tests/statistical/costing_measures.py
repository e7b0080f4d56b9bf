"""Costing's measures on simulated shops, printed by one command.

    python tests/statistical/costing_measures.py [--seeds 50] [--worlds plain,totals,crossed,season,together]

1. The refined price list: the margin it earns on 20,000 fresh visits of the same law, and whether its interval and the
   cells' intervals (wanted: 0.80) hold the truth.
2. A part-done job: coverage of the rest (wanted: 0.78 to 0.83) and width against the first estimate, at a third and
   at six tenths done.
3. A fleet of twelve: coverage with what the vans share, and as a sum of independent draws.
"""

import argparse
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from costing_jobs import Held, fleets, part_done
from costing_shops import CALL_OUT, cost_shop, planning_start
from world_kinds import Kind, chosen

from models.costing.price_list import fit_amounts

MARGIN = 0.3
LEVEL = 0.8


@dataclass(frozen=True)
class ListMeasure:
    """Margins that refined lists earn on fresh visits, whether their intervals held, and those of the cells."""

    margin: np.ndarray
    held: np.ndarray
    cells_held: np.ndarray


def price_lists(seeds: Iterable[int], *, n_visits: int = 300, n_fresh: int = 20_000) -> ListMeasure:
    """Return how refined lists of shops with known mean costs did, one entry a seed (a cell of five or more lines)."""
    margins, held, cells = [], [], []
    for seed in seeds:
        shop = cost_shop(seed, n_visits)
        start = planning_start(CALL_OUT / (1 - MARGIN), MARGIN)
        fitted = fit_amounts(shop.visits, shop.cost / (1 - MARGIN), start)
        low, high = fitted.interval(LEVEL)
        truth = shop.truth.cell / (1 - MARGIN)
        cells.append(((low <= truth) & (truth <= high))[fitted.lines >= 5])
        fresh = cost_shop(seed, n_fresh, shop.truth, stream=3)
        margin = 1 - fresh.cost.sum() / fitted.amounts.of_visits(fresh.visits).sum()
        least, most = (1 - (1 - MARGIN) / share for share in fitted.total_interval(LEVEL))
        margins.append(margin)
        held.append(least <= margin <= most)
    return ListMeasure(np.array(margins), np.array(held), np.concatenate(cells))


def _pooled(pairs: list[tuple[Held, Held]]) -> tuple[float, float, float]:
    """Return coverage of the first and of the second, and the median ratio of their widths."""
    one = np.concatenate([p[0].held.ravel() for p in pairs])
    two = np.concatenate([p[1].held.ravel() for p in pairs])
    ratio = np.concatenate([(p[0].width / p[1].width).ravel() for p in pairs])
    return float(one.mean()), float(two.mean()), float(np.median(ratio))


def rests(kinds: list[Kind], seeds: Iterable[int], done: float, **sizes: int) -> tuple[float, float, float]:
    """Return coverage of the rest, coverage of the first estimate, and width of the rest over that of the first."""
    return _pooled([part_done(kind, seed, done=done, **sizes) for kind in kinds for seed in seeds])


def dozens(kinds: list[Kind], seeds: Iterable[int], **sizes: int) -> tuple[float, float, float]:
    """Return coverage for fleets with what they share, by independent draws, and the ratio of widths."""
    return _pooled([fleets(kind, seed, **sizes) for kind in kinds for seed in seeds])


def main() -> None:
    """Measure and print."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--seeds", type=int, default=50, help="shops for the price list")
    ask.add_argument("--shops", type=int, default=2, help="shops of each kind for rests and fleets")
    ask.add_argument("--worlds", default="plain/held-out,totals/held-out,crossed/held-out,season/held-out")
    said = ask.parse_args()
    found = price_lists(range(said.seeds))
    print(f"price list: margin {found.margin.mean():.3f} (sd {found.margin.std():.3f}) where {MARGIN} was wanted; "
          f"interval held it {found.held.mean():.2f}, cells {found.cells_held.mean():.3f}")  # fmt: skip
    kinds, seeds = chosen(said.worlds), range(1, 1 + said.shops)
    for done in (0.33, 0.6):
        held, first, ratio = rests(kinds, seeds, done)
        print(f"part done {done}: rest held {held:.3f}, first estimate {first:.3f}, width {ratio:.2f} of it")
    held, apart, ratio = dozens(kinds, seeds)
    print(f"fleet of twelve: held {held:.3f}, as independent draws {apart:.3f}, width {ratio:.2f} times that")


if __name__ == "__main__":
    main()
