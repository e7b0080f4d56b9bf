"""Saved quotes followed to the finished job: open, won, lost, and what is told of each."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from quote_books import DAY, ROW, asking, van

from pipeline.answers.costing import cost_jobs
from pipeline.answers.quoting import Wanted
from pipeline.answers.saved_quotes import followed, requote, save_quotes, settle
from pipeline.book.store import Book
from pipeline.cli.main import main
from shared.errors import RimebookError


def states(book: Book, day: date) -> list[str]:
    return [each.state for each in followed(asking(book, day))]


def test_saved_quote_is_numbered_and_open(new_book) -> None:
    """The first quote is number 1 and open until it runs out; then it counts as lost."""
    book = new_book()
    saved = save_quotes(asking(book), [van(book)], Wanted()).result.quotes[0]
    assert saved.number == 1
    assert saved.valid_until == DAY + timedelta(days=30)
    assert states(book, DAY + timedelta(days=30)) == ["open"]
    assert states(book, DAY + timedelta(days=31)) == ["lost"]


def test_quote_is_matched_to_the_one_job_that_fits(new_book) -> None:
    """Same customer, class and zones within its time is won; another class, zone or customer is not."""
    other = [
        {**ROW, "job_id": "A", "zone": "engine_bay", "day": DAY + timedelta(days=3)},
        {**ROW, "job_id": "B", "vehicle_class": "suv", "day": DAY + timedelta(days=3)},
        {**ROW, "job_id": "C", "customer": "K-2", "day": DAY + timedelta(days=3)},
        {**ROW, "job_id": "D", "day": DAY - timedelta(days=3)},
    ]
    book = new_book(rows=[*other, {**ROW, "job_id": "E", "customer": "k-1", "day": DAY + timedelta(days=5)}])
    save_quotes(asking(book), [van(book)], Wanted())
    assert states(book, DAY + timedelta(days=4)) == ["open"]
    found = followed(asking(book, DAY + timedelta(days=6)))[0]
    assert (found.state, found.jobs) == ("won", ("E",))


def test_two_jobs_that_fit_are_told_and_not_guessed(new_book) -> None:
    """Two fitting jobs leave a quote unclear until the shop says which; then it is won by that one."""
    rows = [{**ROW, "job_id": j, "day": DAY + timedelta(days=4)} for j in ("A", "B")]
    book = new_book(rows=rows)
    save_quotes(asking(book), [van(book)], Wanted())
    later = asking(book, DAY + timedelta(days=9))
    unclear = followed(later)[0]
    assert (unclear.state, unclear.jobs) == ("unclear", ("A", "B"))
    settle(later, 1, "won", "B")
    assert (followed(later)[0].state, followed(later)[0].jobs) == ("won", ("B",))
    assert states(book, DAY + timedelta(days=8)) == ["unclear"], "what was said later is not known earlier"


def test_two_quotes_for_one_job_are_told(new_book) -> None:
    """A job that two quotes fit makes both unclear."""
    book = new_book(rows=[{**ROW, "job_id": "A", "day": DAY + timedelta(days=4)}])
    save_quotes(asking(book), [van(book), van(book)], Wanted())
    assert states(book, DAY + timedelta(days=9)) == ["unclear", "unclear"]


def test_fleet_is_won_when_all_its_vehicles_are_done(new_book) -> None:
    """Three vans quoted together: two done is under way, three is won."""
    rows = [{**ROW, "job_id": f"V{k}", "day": DAY + timedelta(days=k)} for k in (1, 2, 3)]
    book = new_book(rows=rows)
    save_quotes(asking(book), [van(book)], Wanted(count=3))
    assert states(book, DAY + timedelta(days=3)) == ["open"]
    assert states(book, DAY + timedelta(days=4)) == ["won"]


def test_lost_quote_stays_lost_and_is_not_priced_again(new_book) -> None:
    """What the shop called lost is lost, and --found on it is refused."""
    book = new_book()
    save_quotes(asking(book), [van(book)], Wanted())
    settle(asking(book), 1, "lost")
    assert states(book, DAY) == ["lost"]
    with pytest.raises(RimebookError, match="lost") as told:
        requote(asking(book), 1, ["undercarriage:severe"], Wanted())
    assert told.value.problem.code == "quote-settled"


def test_won_needs_a_job_that_is_known(new_book) -> None:
    """A quote cannot be won by a job nobody logged."""
    book = new_book()
    save_quotes(asking(book), [van(book)], Wanted())
    with pytest.raises(RimebookError) as told:
        settle(asking(book), 1, "won", "nope")
    assert told.value.problem.code == "no-such-job"


def test_what_becomes_of_a_saved_quote_is_said(new_book, capsys) -> None:
    """A quote that ran out, what was found and kept, and a won quote that is lost after all are told."""
    book = new_book(rows=[{**ROW, "job_id": "N1", "day": DAY + timedelta(days=1)}])
    save_quotes(asking(book), [van(book)], Wanted())
    kept = requote(asking(book), 1, ["undercarriage:severe"], Wanted(), save=True)
    assert any("What was found is kept with quote 1; the agreed price stays $" in w for w in kept.warnings)
    late = requote(asking(book, DAY + timedelta(days=60)), 1, ["undercarriage:severe"], Wanted())
    assert late.warnings[0].startswith(f"Quote 1 ran out on {DAY + timedelta(days=30)}")
    assert not any("ran out" in w or "is kept" in w for w in requote(asking(book), 1, [], Wanted()).warnings)
    settle(asking(book, DAY + timedelta(days=2)), 1, "won", "N1")
    (said,) = settle(asking(book, DAY + timedelta(days=3)), 1, "lost").warnings
    assert said == f"Quote 1 was won by job N1 since {DAY + timedelta(days=2)}; now it is lost."
    wish = ["quote", "--lost", "1", "--vehicle", "van", "--zone", "interior", "--book", str(book.folder)]
    assert main(wish) == 2
    assert "`--vehicle van` beside --lost 1" in capsys.readouterr().err


def test_won_by_one_job_of_its_time(new_book) -> None:
    """A job from before the quote or won already is refused; another zone or customer is taken and told."""
    later = DAY + timedelta(days=2)
    rows = [{**ROW, "job_id": "Before", "day": DAY - timedelta(days=1)}, {**ROW, "job_id": "Same", "day": later},
            {**ROW, "job_id": "Other", "day": later, "zone": "engine_bay", "customer": "K-9"}]  # fmt: skip
    book = new_book(rows=rows)
    save_quotes(asking(book), [van(book), van(book)], Wanted())
    for number, job, code in ((1, "Before", "job-before-quote"), (1, "same", ""), (2, "Same", "job-won-already")):
        if code:
            with pytest.raises(RimebookError) as told:
                settle(asking(book, later), number, "won", job)
            assert told.value.problem.code == code
        else:
            answer = settle(asking(book, later), number, "won", job)
            assert answer.result.settled.job_id == "Same"
            assert answer.warnings == ()
    (said,) = settle(asking(book, later), 2, "won", "Other").warnings
    assert "customer K-9 (quoted: K-1)" in said
    assert "van engine_bay (quoted: van undercarriage)" in said
    assert settle(asking(book, later), 2, "won", "Other").warnings == (said,)


def test_a_fleet_won_by_one_of_its_jobs_waits_for_the_others(new_book) -> None:
    """Three vans quoted, one job named: its cost is not held against the price of three; the other two complete it."""
    rows = [{**ROW, "job_id": f"V{k}", "day": DAY + timedelta(days=k)} for k in (1, 2, 3)]
    book = new_book(rows=rows)
    save_quotes(asking(book), [van(book)], Wanted(count=3))
    (said,) = settle(asking(book, DAY + timedelta(days=1)), 1, "won", "V1").warnings
    assert said.startswith("Job V1 did 1 of the 3 vehicles quoted;")
    for days, jobs, whole in ((2, ("V1",), False), (3, ("V1", "V2"), False), (4, ("V1", "V2", "V3"), True)):
        morning = asking(book, DAY + timedelta(days=days))
        (each,) = followed(morning)
        assert (each.state, each.jobs, each.whole) == ("won", jobs, whole)
        (told,) = cost_jobs(morning).result.followed
        assert (told.cost_usd is not None) is whole


def test_a_quote_for_a_later_day_is_not_lost_before_it(new_book) -> None:
    """A quote for a day after its validity runs until that day."""
    book = new_book()
    save_quotes(asking(book), [replace(van(book), day=DAY + timedelta(days=50))], Wanted())
    assert states(book, DAY + timedelta(days=49)) == ["open"]
    assert states(book, DAY + timedelta(days=51)) == ["lost"]
