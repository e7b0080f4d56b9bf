"""The report as text: what it shows, what it hides, what it refuses."""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from report_books import TODAY, vans

from pipeline.answers.amounts import change_words
from pipeline.answers.answer import Asking
from pipeline.answers.fitting import learn_book
from pipeline.answers.reporting import Section, report_contents
from pipeline.book.store import Book
from pipeline.present.figures import Style, percent
from pipeline.present.page import environment, report_page, template_text
from pipeline.present.page_prices import packed
from pipeline.present.page_sections import forecast_part, jobs_part
from pipeline.present.page_tables import Cell, JobLine

Run = Callable[..., tuple[int, str, str]]


def unpacked(text: str) -> list[float]:
    """Return packed costs as the page's script reads them."""
    costs, value, step, scale = [], 0, 0, 1
    for byte in base64.b64decode(text):
        step += (byte & 127) * scale
        scale *= 128
        if byte <= 127:
            value += step
            costs.append(value / 1e4)
            step, scale = 0, 1
    return costs


def test_packed_costs_come_back_sorted() -> None:
    """Packed draws are the sorted draws to a ten-thousandth, also where they are equal, zero or large."""
    costs = np.array([300.12345, 0.0, 12.5, 12.5, 98765.4321, 0.0001])
    assert unpacked(packed(costs)) == pytest.approx(sorted(costs), abs=5.1e-5)


def test_the_page_reaches_for_nothing(demo_page: str) -> None:
    """Everything is inside the page, and its policy allows nothing else."""
    assert "default-src 'none'" in demo_page
    assert not re.search(r'(?:src|href)="(?!data:|#)', demo_page)
    assert "style=" not in re.sub(r"data:[^\"]*", "", demo_page.split("<body>")[1].split("<script")[0])


def test_every_section_answers_first(demo_page: str) -> None:
    """Each question has its answer in one sentence at the top and in its section."""
    for question in ("What will this job cost?", "What do I order, and when?", "Where did the pellets go?",
                     "Can I trust it?", "What is coming?", "Is the air all right on"):  # fmt: skip
        assert demo_page.count(question) >= 2
    assert demo_page.count('class="tolog"') == 0


def test_operators_are_masked_unless_asked_for(demo_page: str, new_book: Callable[..., Book]) -> None:
    """Without --names no operator's code is on the page; with it they are."""
    shown = demo_page.split("<main>")[1].split("<script")[0]
    assert "Operator A" in shown
    assert not re.search(r">(KO|LB|TS|VN)(?:,|<)", shown)
    asking = Asking(new_book(rows=vans(6)), TODAY)
    assert ">OP0<" in report_page(report_contents(asking, names=True), Style())
    assert ">OP0<" not in report_page(report_contents(asking), Style())


def test_an_empty_book_says_what_to_log(new_book: Callable[..., Book]) -> None:
    """Each section without ground has one sentence with what to log; prices are planning figures and say so."""
    answer = report_contents(Asking(new_book(), TODAY))
    page = report_page(answer, Style())
    assert answer.result.without_ground() == ("order", "pellets", "trust", "forecast", "air", "jobs")
    assert page.count('class="tolog"') == 6
    assert "planning figures from book.toml" in page
    # A page across the paper is for the table of jobs: without one its one sentence would stand there alone.
    assert '<section id="jobs" aria-labelledby' in page
    some = report_page(report_contents(Asking(new_book(rows=vans(6), name="some"), TODAY)), Style())
    assert '<section id="jobs" class="across" aria-labelledby' in some


def test_few_past_jobs_are_no_share(new_book: Callable[..., Book]) -> None:
    """With fewer past jobs than the calibration asks for, the page tells and draws no share that fell in range."""
    asking = Asking(new_book(rows=vans(18)), TODAY)
    learn_book(asking)
    page = report_page(report_contents(asking), Style())
    assert "% fell in their" not in page
    assert "it takes 20 to say how often the ranges hold" in page
    assert "<figcaption>Pellets against expectation over time" in page
    assert "<figcaption>Stated against held" not in page
    assert "<figcaption>Where past jobs fell" not in page
    assert "How often the 80 % range held" not in page


def test_groups_of_few_past_jobs_are_left_out(demo_page: str) -> None:
    """No class, zone, soil or quarter with fewer than twenty past jobs has a share, and the page says so."""
    part = demo_page.split('<section id="trust"')[1].split("</section>")[0]
    counts = re.findall(r'%</td><td class="n">([\d,]+)</td></tr>', part)
    assert len(counts) > 10
    assert min(int(n.replace(",", "")) for n in counts) >= 20
    assert "with fewer than 20 such jobs are left out" in part


def test_a_finding_stands_beside_what_else_could_explain_it(demo_page: str, demo_folder: Path, run: Run) -> None:
    """Each finding of the review has its other explanations on the page, before what to try."""
    import html
    import json

    findings = json.loads(run("technique", "--json", "--book", str(demo_folder))[1])["result"]["findings"]
    page = html.unescape(demo_page).replace("\u00a0", " ")
    tries = re.sub(r"</?code>", "", page.split("<h3>What to try</h3>")[1].split("</ul>")[0])
    assert findings
    for finding in findings:
        told = f"it could also be {'; or '.join(finding['other_causes'])}. To try: {finding['try'].replace('`', '')}"
        assert told in tries
    assert page.count("What else could explain it is told below.") == 2


def test_the_list_of_jobs_counts_what_was_learned(new_book: Callable[..., Book]) -> None:
    """Jobs that planning figures answered are neither counted nor marked; the others are those of the calibration."""
    rows = [{**row, "pellets_lb": 400.0 if i in (2, 17) else 50.0} for i, row in enumerate(vans(18))]
    asking = Asking(new_book(rows=rows), TODAY)
    learn_book(asking)
    contents = report_contents(asking).result
    assert contents.trust.answer is not None
    main = next(h for h in contents.trust.answer.result.levels if h.level == 0.8)
    assert 0 < main.pellets_jobs < 18
    part = jobs_part(contents, Style())
    out = round((1 - (main.pellets_lb or 0.0)) * main.pellets_jobs)
    assert f"{out} of {main.pellets_jobs} fell outside their 80 % range of pellets" in part.lead
    assert sum(row.out for row in part.rows) == out > 0
    said = " ".join(part.lines)
    assert f"Not counted and not marked: {18 - main.pellets_jobs} jobs done before anything was learned" in said
    assert "counts pellets and minutes together" in said


def test_a_mean_of_jobs_has_no_decimal_that_was_rounded_away(new_book: Callable[..., Book]) -> None:
    """A mean of 1.48 jobs is told as 1, and one job as one."""
    contents = report_contents(Asking(new_book(rows=vans(18)), TODAY)).result
    told = contents.forecast.answer
    assert told is not None
    few = [replace(m, jobs=replace(m.jobs, mean=1.4785)) for m in told.result.months]
    answer = replace(told, result=replace(told.result, months=tuple(few)))
    part = forecast_part(replace(contents, forecast=Section(answer)), Style())
    assert {row[1] for row in part.tables[0].rows} == {"1"}
    assert "about 1 job and" in part.lead


def test_the_order_tells_a_shortage_that_it_accepts(demo_page: str) -> None:
    """The lead names the day on which ice could have come, why none is ordered for it, and what is due today."""
    part = demo_page.split('<section id="order"')[1].split("</section>")[0].replace("\u00a0", " ")
    lead = part.split('<p class="lead">')[1].split("</p>")[0]
    assert "Before a delivery can arrive (Thu 2 Jul) the chance of running short is" in lead
    accepts = (
        r"From Thu 2 Jul to Mon 6 Jul the chance of running short is \d+ %: the plan accepts that, as ice would cost"
    )
    assert re.search(accepts, lead)
    # The card at the top tells what the table below does: the plan's own chance, of all days.
    (plan,) = re.findall(r'this plan</th><td class="n">[^<]*</td><td class="n">([^<]*)</td>', part)
    assert f"The chance of running short on some day of these 14 days is {plan}." in lead
    assert "Ice ordered by Wed 1 Jul could come on Thu 2 Jul; the plan orders none before Mon 6 Jul and accepts" in part
    assert "because fetching what is short at the counter costs less" in part
    assert "Firm: to be decided before Thu 9 Jul, the next decision day" in part
    assert part.count("firm, due today") == 1
    assert "in store about noon, the morning's loss taken off" in html.unescape(part)


def test_bookings_that_are_not_listed_are_counted(new_book: Callable[..., Book]) -> None:
    """Of eight bookings six are priced, and the page says so; of two both are, and nothing is said."""
    pages = []
    for n in (8, 2):
        book = new_book(name=f"b{n}")
        with book.writing() as connection:
            connection.executemany(
                "insert into bookings (booking_id, taken_on, day, vehicle_class, zone, batch, row_hash) "
                "values (?, ?, ?, 'van', 'interior', 0, 0)",
                [[f"B-{i}", TODAY - timedelta(days=9), TODAY + timedelta(days=i // 2)] for i in range(n)],
            )
        pages.append(report_page(report_contents(Asking(book, TODAY)), Style()))
    assert "The next 6 of the 8 bookings in the coming 60 days are listed" in pages[0]
    assert pages[0].split('id="prices-data"')[0].count("booking B-") >= 6
    assert "bookings in the coming" not in pages[1]


def test_the_page_for_paper_has_no_controls(new_book: Callable[..., Book]) -> None:
    """Heads that sort on the screen are plain heads in a PDF, where a button would take the width of a page."""
    contents = report_contents(Asking(new_book(rows=vans(6)), TODAY))
    assert "<button" in report_page(contents, Style())
    printed = report_page(contents, Style(), for_print=True)
    assert "<button" not in printed
    assert ">Against expected</th>" in printed


def test_one_job_makes_a_page(new_book: Callable[..., Book]) -> None:
    """One job is listed, and what cannot be said yet is said."""
    row = {"job_id": "<i>J-1</i>", "day": date(2026, 5, 4), "vehicle_class": "van", "zone": "undercarriage",
           "pellets_lb": 60.0, "minutes": 90.0, "notes": "n" * 2000}  # fmt: skip
    page = report_page(report_contents(Asking(new_book(rows=[row]), TODAY)), Style("metric", "CHF"))
    assert "&lt;i&gt;J-1&lt;/i&gt;" in page
    assert "<i>J-1" not in page
    assert "n" * 161 not in page
    assert " CHF" in page
    assert "27\u00a0kg" in page


def test_jobs_after_today_move_nothing(new_book: Callable[..., Book]) -> None:
    """Absurd jobs on or after the day asked for leave the page as it was."""
    rows = vans(6)
    absurd = {"job_id": "LATER", "day": TODAY, "vehicle_class": "van", "zone": "undercarriage", "pellets_lb": 790.0,
              "minutes": 1000.0}  # fmt: skip
    pages = [report_page(report_contents(Asking(new_book(rows=r, name=n), TODAY)), Style())
             for n, r in (("before", rows), ("after", [*rows, absurd]))]  # fmt: skip
    assert pages[0] == pages[1]


def test_a_file_that_is_there_is_kept(demo_folder: Path, run: Run, tmp_path: Path) -> None:
    """An output that exists is refused before any work, a folder that cannot be written likewise."""
    file = tmp_path / "report.html"
    file.write_text("mine")
    code, _, err = run("report", "--out", str(file), "--book", str(demo_folder))
    assert (code, file.read_text()) == (1, "mine")
    assert "--force" in err
    code, _, err = run("report", "--out", str(tmp_path / "none" / "r.html"), "--book", str(demo_folder))
    assert code == 1
    assert "no such folder" in err
    code, _, err = run("report", "--out", str(tmp_path), "--book", str(demo_folder))
    assert code == 1
    assert "a folder" in err


def test_force_writes_whole_and_leaves_no_part(new_book: Callable[..., Book], run: Run) -> None:
    """With --force the page takes the old file's place and nothing else is left in the folder."""
    book = new_book('[shop]\nas_of = "2026-05-20"\n')
    out = book.folder.parent / "out"
    out.mkdir()
    (out / "report.html").write_text("old")
    code, told, err = run("report", "--out", str(out / "report.html"), "--force", "--book", str(book.folder))
    assert code == 0, err
    said = " ".join(told.split())
    assert "Too little is logged yet for" in said
    assert "Until then `rimebook order` and `rimebook forecast` answer with planning figures." in said
    assert [f.name for f in out.iterdir()] == ["report.html"]
    assert (out / "report.html").read_text(encoding="utf-8").startswith("<!doctype html>")


def test_last_weeks_report_is_written_anew_without_a_word(new_book: Callable[..., Book], run: Run) -> None:
    """A page of ours gives way to the next one, also as PDF; a page of another program does not."""
    book = new_book('[shop]\nas_of = "2026-05-20"\n')
    page = book.folder.parent / "report.html"
    asked = ("report", "--out", str(page), "--pdf", "--book", str(book.folder))
    assert run(*asked)[0] == 0
    first = page.read_bytes()
    (book.folder / "book.toml").write_text('[shop]\nname = "North Bay"\nas_of = "2026-05-20"\n')
    code, _, err = run(*asked)
    assert code == 0, err
    assert page.read_bytes() != first
    assert b"North Bay" in page.read_bytes()
    for other in ("%PDF-1.7 of another program", ""):
        page.with_suffix(".pdf").write_text(other)
        code, _, err = run(*asked)
        assert code == 1
        assert "--force" in err
        assert page.with_suffix(".pdf").read_text() == other
    page.write_text('<meta name="generator" content="another program">')
    assert run("report", "--out", str(page), "--book", str(book.folder))[0] == 1


def test_a_page_is_not_written_under_a_pdfs_name(new_book: Callable[..., Book], run: Run) -> None:
    """`--out f.pdf` is refused before any work, with the call that writes the PDF; nothing is written."""
    book = new_book()
    out = book.folder / "week.pdf"
    for extra in ([], ["--pdf"]):
        code, _, told = run("report", "--book", str(book.folder), "--out", str(out), *extra)
        assert code == 2
        assert "week.html --pdf" in told
    assert not out.exists()


def test_without_the_extra_pdf_says_how_to_get_it(
    new_book: Callable[..., Book], run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """--pdf without the extra ends with 1 and the line that installs it, before anything is written."""
    import sys

    monkeypatch.setitem(sys.modules, "weasyprint", None)
    book = new_book('[shop]\nas_of = "2026-05-20"\n')
    out = book.folder.parent / "r.html"
    code, _, err = run("report", "--out", str(out), "--pdf", "--book", str(book.folder))
    assert code == 1
    assert "pip install -c .ci/constraints.txt '.[pdf]'" in err
    assert not out.exists()


def test_the_page_is_the_same_every_time(new_book: Callable[..., Book]) -> None:
    """The same book and day give the same bytes."""
    asking = Asking(new_book(rows=vans(6)), TODAY)
    assert report_page(report_contents(asking), Style()) == report_page(report_contents(asking), Style())


def test_a_change_that_rounds_to_none_has_no_sign() -> None:
    """Changes carry their sign, and one below half a percent is 0 without one."""
    assert [change_words(r) for r in (1.072, 0.93, 0.996, 1.004)] == ["+7 %", "-7 %", "0 %", "0 %"]


def test_a_share_that_rounds_to_none_has_no_sign() -> None:
    """A loss below half a percent is 0 %, not -0 %."""
    assert [percent(s) for s in (-0.0049, -0.02, 0.0, 0.0049, 0.8)] == ["0 %", "-2 %", "0 %", "< 1 %", "80 %"]


def test_a_job_outside_its_range_says_so_to_who_does_not_see_the_mark() -> None:
    """A marked row carries words that are read aloud, and no other row does."""
    from types import SimpleNamespace

    lines = [JobLine(out, (Cell("2026-05-01", "2026-05-01"), Cell("J-1", "J-1"))) for out in (True, False)]
    rows = template_text("report.html").split("{% for row in jobs.rows %}")[1].split("</tbody>")[0]
    told = environment().from_string("{% for row in jobs.rows %}" + rows).render(jobs=SimpleNamespace(rows=lines))
    assert told.count(", outside its range") == 1
    assert 'dir="auto">2026-05-01<span class="unseen">, outside its range</span></td>' in told
