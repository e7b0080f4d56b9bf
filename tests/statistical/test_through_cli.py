"""The command answers as well as the learner it carries."""

import numpy as np
from bench_figures import SHORT_COVERAGE, SHORT_RATIO
from bench_score import judge
from through_cli import Setting, ask
from world_kinds import KINDS
from worlds import draw_world


def test_a_shop_taken_through_the_commands_is_answered_within_the_figures(tmp_path) -> None:
    """init, import, learn and estimate --json on thirty jobs: every job answered in order, ratio and coverage held."""
    world = draw_world(KINDS["newcomers/held-out"], 30, 1, n_fresh=60, n_scenarios=1500)
    verdict = judge(world, "command", 30, ask(world, tmp_path, Setting()), 0.0)
    assert verdict.ratio.mean() < SHORT_RATIO[30]
    assert SHORT_COVERAGE[30][0] < verdict.held.mean() < SHORT_COVERAGE[30][1]
    assert np.isfinite(verdict.ratio).all()
