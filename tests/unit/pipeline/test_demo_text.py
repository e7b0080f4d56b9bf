"""What the demo prints."""

from datetime import date

from pipeline.answers.answer import Answer, Asking
from pipeline.answers.demo import DemoBook, DemoResult
from pipeline.answers.estimating import estimate_jobs
from pipeline.answers.quoting import quote_jobs
from pipeline.answers.requests import job_from_options
from pipeline.present.demo_text import render_demo
from pipeline.present.figures import Style

DAY = date(2026, 7, 1)


def test_the_demo_is_no_wider_than_a_page(new_book) -> None:
    """The line that says that all of it is made up is wrapped like all others."""
    who = Asking(new_book(), DAY)
    job = job_from_options(who.book.settings, vehicle="van", zones=["undercarriage:heavy"], day=DAY)
    made = DemoBook("rimebook-demo", "2026-07-01", 1685, 400, 1)
    shown = DemoResult(made, estimate_jobs(who, [job]).result, quote_jobs(who, [job]).result, None, None, None, "r")
    text = render_demo(Answer(shown), Style())
    assert text.startswith("A book of an invented shop in rimebook-demo: 1,685 rows, 400 jobs")
    assert max(len(line) for line in text.splitlines()) <= 80
