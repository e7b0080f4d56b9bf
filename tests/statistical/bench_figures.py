"""The figures a learner has to reach on simulated shops, by number of jobs in the log."""

from bench_score import Verdict, allowed_coverage, mean_held, mean_ratio

#: Mean ratio to the oracle over all kinds of shop, and how far above its floor a single kind may lie.
AIM = {30: 1.25, 150: 1.07, 500: 1.03, 5000: 1.01}
ABOVE_FLOOR = {30: 0.08, 150: 0.025, 500: 0.012, 5000: 0.01}
COVERAGE = (0.78, 0.83)
#: What two or three shops can tell apart: the short run's looser figures.
SHORT_RATIO = {30: 1.50, 150: 1.22}
SHORT_COVERAGE = {30: (0.70, 0.90), 150: (0.72, 0.88)}


def short_failures(verdicts: list[Verdict]) -> list[str]:
    """Return what the verdicts of one learner miss of the short run's figures, in words."""
    out = []
    for n_jobs in sorted({v.n_jobs for v in verdicts}):
        here = [v for v in verdicts if v.n_jobs == n_jobs]
        ratio, held, (low, high) = mean_ratio(here), mean_held(here), SHORT_COVERAGE[n_jobs]
        if ratio > SHORT_RATIO[n_jobs]:
            out.append(f"ratio {ratio:.3f} at {n_jobs} jobs is above {SHORT_RATIO[n_jobs]}")
        if not low <= held <= high:
            out.append(f"coverage {held:.3f} at {n_jobs} jobs is outside {low} to {high}")
    return out


def failures(verdicts: list[Verdict], floors: dict[tuple[str, int], float]) -> list[str]:
    """Return what the verdicts of one learner at one size miss of the full figures, in words.

    `floors` maps (kind, seed) to the mean ratio of the floor on that very shop. A shop with a floor may lie above the
    aim as long as it stays near that floor; one without has the aim alone. A kind, and all kinds together, are held to
    the mean of what their shops are allowed.
    """
    n_jobs, out = verdicts[0].n_jobs, []
    kinds = dict.fromkeys(v.kind for v in verdicts)
    for name, here in [("all kinds", verdicts), *((k, [v for v in verdicts if v.kind == k]) for k in kinds)]:
        held = mean_held(here)
        low, high = COVERAGE if name == "all kinds" else allowed_coverage(n_jobs, len(here))
        if not low <= held <= high:
            out.append(f"{name}: coverage {held:.3f} is outside {low:.3f} to {high:.3f}")
        aim, over = AIM[n_jobs], ABOVE_FLOOR[n_jobs]
        bars = [max(aim, floors[v.kind, v.seed] + over) if (v.kind, v.seed) in floors else aim for v in here]
        if mean_ratio(here) > sum(bars) / len(bars):
            out.append(f"{name}: ratio {mean_ratio(here):.3f} is above {sum(bars) / len(bars):.3f}")
    return out
