"""The kinds of simulated shop: what is peculiar about each, in numbers; nothing here is known to a learner."""

from dataclasses import dataclass, replace
from typing import Literal, get_args

Tag = Literal["tuning", "held-out", "writing"]


@dataclass(frozen=True)
class Kind:
    """One kind of shop; the scales of its effects are drawn anew for each seed within `scale_range`.

    `breaks_form` marks the kinds whose law is no sum of log-linear lines with symmetric log noise and level steps in
    time. Logarithmic sizes unless a unit says otherwise.
    """

    name: str
    tag: Tag
    breaks_form: bool = False
    scale_range: tuple[float, float] = (0.6, 1.6)
    #: Share of jobs written down only as a total, and of the others with one quantity only as a total.
    totals_share: float = 0.25
    half_totals_share: float = 0.1
    #: Interactions (standard deviations).
    class_zone_sd: float = 0.1
    machine_zone_sd: float = 0.05
    class_soil_sd: float = 0.0
    #: Noise: the law of a line's noise, its size, more of it by soil level, slips of the pen between kg and lb.
    noise: Literal["normal", "t", "gamma", "mixture"] = "normal"
    line_sd: float = 0.24
    job_sd: float = 0.14
    noise_per_soil: float = 0.0
    slip_share: float = 0.0
    #: Time: a level step inside the history, a machine that comes with it, a yearly wave, wear of the machines.
    shift: float = 0.0
    new_machine: bool = False
    season: float = 0.0
    wear_per_year: float = 0.0
    #: Writing: readings rounded to (lb, min) steps, blanks by job or line, a grader one level high; where it depends on
    #: the dirt, the chance of each soil level to be written down.
    rounded_to: tuple[float, float] | None = None
    soil_blank_share: float = 0.03
    crew_blank_share: float = 0.03
    grader: bool = False
    soil_written: tuple[float, float, float, float] | None = None
    #: Mix: nearly all jobs of two classes; people, machines and classes at prediction time that nobody has seen.
    sparse: bool = False
    newcomers: bool = False
    #: Beyond the form: an amount per visit, saturation with soil and size, later zones cheaper than the first.
    fixed_share: float = 0.0
    saturating: bool = False
    together: float = 1.0
    settings: bool = False

    @property
    def heavy_tailed(self) -> bool:
        """Scores are winsorised at the 99.5 % point of each job's law."""
        return self.noise in ("t", "mixture")

    @property
    def key(self) -> str:
        return f"{self.name}/{self.tag}"


HELD_OUT = (
    Kind("plain", "held-out"),
    Kind("totals", "held-out", totals_share=0.7),
    Kind("tails", "held-out", noise="t", slip_share=0.05, noise_per_soil=0.12),
    Kind("crossed", "held-out", class_zone_sd=0.25, machine_zone_sd=0.15),
    Kind("class_soil", "held-out", class_soil_sd=0.18),
    Kind("shift", "held-out", shift=0.3),
    Kind("shift_machine", "held-out", shift=0.25, new_machine=True),
    Kind("season", "held-out", season=0.25),
    Kind("rounded", "held-out", rounded_to=(5.0, 15.0)),
    Kind("soil_blank", "held-out", soil_blank_share=0.25),
    Kind("crew_blank", "held-out", crew_blank_share=0.35),
    Kind("grader", "held-out", grader=True),
    Kind("sparse", "held-out", sparse=True),
    Kind("newcomers", "held-out", newcomers=True, new_machine=True),
    Kind("settings", "held-out", settings=True),
    Kind("fixed", "held-out", breaks_form=True, fixed_share=0.25),
    Kind("saturating", "held-out", breaks_form=True, saturating=True),
    Kind("together", "held-out", breaks_form=True, together=0.7),
    Kind("gamma", "held-out", breaks_form=True, noise="gamma", line_sd=0.45),
    Kind("mixture", "held-out", breaks_form=True, noise="mixture"),
    Kind("wear", "held-out", breaks_form=True, wear_per_year=0.4),
    Kind("all_at_once", "held-out", breaks_form=True, totals_share=0.5, fixed_share=0.15, noise="mixture",
         soil_blank_share=0.15, crew_blank_share=0.15, shift=0.15, season=0.12, rounded_to=(5.0, 15.0)),
)  # fmt: skip

_TUNED = ("plain", "totals", "tails", "crossed", "shift", "season", "rounded", "soil_blank", "fixed", "gamma")
TUNING = tuple(replace(k, tag="tuning", scale_range=(0.8, 1.25)) for k in HELD_OUT if k.name in _TUNED)
#: Shops that write down soil where it is worth a word, or never, and name it when they ask; beside the held-out kinds,
#: whose means they do not enter.
WRITING = (
    Kind("soil_by_choice", "writing", soil_written=(0.1, 0.15, 0.85, 0.95)),
    Kind("soil_never", "writing", soil_written=(0.0, 0.0, 0.0, 0.0)),
)
KINDS = {k.key: k for k in (*TUNING, *HELD_OUT, *WRITING)}


def chosen(words: str) -> list[Kind]:
    """Return the kinds meant by 'all', a tag or a comma list of names (with or without a tag)."""
    if words == "all":
        return list(KINDS.values())
    if words in get_args(Tag):
        return [k for k in KINDS.values() if k.tag == words]
    out: list[Kind] = []
    for word in words.split(","):
        found = [k for k in KINDS.values() if word in (k.name, k.key)]
        if not found:
            raise SystemExit(f"no world is called {word}; there are {', '.join(KINDS)}")
        out += found
    return out
