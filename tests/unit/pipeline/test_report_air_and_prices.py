"""What the report page tells of bays, air and the jobs it prices."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from report_books import TODAY, vans

from pipeline.answers.answer import Answer, Asking
from pipeline.answers.fitting import learn_book
from pipeline.answers.reporting import report_contents
from pipeline.answers.safety_answer import SafetyResult
from pipeline.book.store import Book
from pipeline.present.figures import Style, percent
from pipeline.present.page import report_page

Run = Callable[..., tuple[int, str, str]]


def test_the_air_on_the_page_is_the_commands(demo_page: str, demo_folder: Path, run: Run) -> None:
    """Each bay's limits on the busiest booked day carry the chances, times and flows that `safety` answers."""
    import json

    from pipeline.answers.safety import busiest_booked_day, safety
    from pipeline.answers.safety_answer import SafetyQuestion
    from pipeline.book.store import open_book
    from pipeline.present.figures import careful, few

    book = open_book(demo_folder)
    today = date.fromisoformat(json.loads(run("estimate", "--vehicle", "van", "--zone", "interior", "--json", "--book",
                                              str(demo_folder))[1])["today"])  # fmt: skip
    asking = Asking(book, today)
    day = busiest_booked_day(asking)
    assert day is not None
    part = html.unescape(demo_page.split('<section id="air"')[1].split("</section>")[0])
    part = part.replace("\u00a0", " ")
    for bay in book.settings.bays:
        answer = safety(asking, SafetyQuestion(bay=bay, day=day))
        assert f"Bay {bay}" in part
        for limit in answer.result.limits:
            assert f"{limit.name}: {limit.value:,.0f} {limit.unit}" in part
            assert f">{percent(limit.chance_exceeded)}<" in part
            for when in (limit.reached_after_min, limit.used_up_after_min):
                assert when is None or f">{few(when.interval.low)} to {few(when.interval.high)} min<" in part
            flow = limit.flow_needed_cfm.interval
            assert (f">{careful(flow.low)} to {careful(flow.high)}<" if flow.high > 0 else ">none<") in part
        assert answer.result.noise
        for n in answer.result.noise:
            dose = n.dose_percent
            cells = (f"{dose.quantiles[0.5]:,.0f} %", f"{dose.interval.low:,.0f} to {dose.interval.high:,.0f} %",
                     f"{n.limit_percent:g} %", percent(n.chance_exceeded))  # fmt: skip
            assert f">Bay {bay}: {n.rule}</th>" + "".join(f'<td class="n">{cell}</td>' for cell in cells) in part
    assert "The 8-hour and 15-minute limits are means" in part
    assert re.search(r"Bay \w+: Noise at the bare ear would exceed the OSHA", part)
    assert part.count("The vehicles count as worked one after the other") == 1


SMALL = "length_ft = 20\nwidth_ft = 12\nheight_ft = 9\n"


def _booked(new_book: Callable[..., Book], toml: str, rows: list[dict[str, object]], name: str) -> Asking:
    """Return a book with one booked van, learned where it has jobs."""
    book = new_book(toml, rows=rows, name=name)
    with book.writing() as connection:
        connection.execute(
            "insert into bookings (booking_id, taken_on, day, vehicle_class, zone, batch, row_hash) "
            "values ('B-1', ?, ?, 'van', 'undercarriage', 0, 0)", [TODAY - timedelta(days=9), TODAY],
        )  # fmt: skip
    if rows:
        learn_book(Asking(book, TODAY))
    return Asking(book, TODAY)


def test_a_bay_that_could_not_be_checked_is_told(new_book: Callable[..., Book], run: Run) -> None:
    """A bay without its height stands in the lead, in its section and in the command's answer; so does its pit."""
    import json

    from pipeline.answers.reporting_air import air_day
    from pipeline.present.page_findings import air_part

    lacks = "[bays.south]\nlength_ft = 30\nwidth_ft = 18\npit = true\n"
    toml = '[shop]\nas_of = "2026-05-20"\n' + "[bays.north]\n" + SMALL + "air_changes_per_hour = 200\n" + lacks
    asking = _booked(new_book, toml, [], "gap")
    answer = report_contents(asking)
    part = air_part(answer.result, Style())
    assert part.lead.startswith("Not known of bay south, which could not be checked. In bay north no CO2 limit")
    assert part.lines[0].startswith("Bay south was not checked: found no height; expected length, width and height")
    assert any("Bay south: This bay has a pit" in line for line in part.cautions)
    assert any("Bay north: no noise level is entered" in line for line in part.lines)
    code, out, err = run("report", "--out", str(asking.book.folder / "r.html"), "--json", "--book",
                         str(asking.book.folder))  # fmt: skip
    assert code == 0, err
    (missing,) = json.loads(out)["result"]["bays_unchecked"]
    assert missing["bay"] == "south"
    assert "found no height" in missing["why"]
    air, _ = air_day(_booked(new_book, lacks, [], "none"), ())
    assert air is not None
    assert (air.bays, [u.bay for u in air.unchecked]) == ((), ["south"])


def test_the_first_reason_for_no_is_the_gas(new_book: Callable[..., Book]) -> None:
    """The lead names the CO2 limits that are exceeded, the highest first, with their chances, and then the noise."""
    from pipeline.present.page_findings import air_part

    asking = _booked(new_book, "[bays.north]\n" + SMALL + "noise_dba = 110\n", [], "gas")
    contents = report_contents(asking).result
    assert contents.air is not None
    (north,) = contents.air.bays
    limits = tuple(
        replace(limit, value=value, chance_exceeded=chance)
        for limit, value, chance in zip(
            north.result.limits, (5000.0, 10000.0, 40000.0), (0.98, 0.998, 0.2), strict=True
        )
    )
    bay = replace(north, result=replace(north.result, limits=limits))

    def lead(*bays: Answer[SafetyResult]) -> str:
        assert contents.air is not None
        return air_part(replace(contents, air=replace(contents.air, bays=bays)), Style()).lead

    assert lead(bay).startswith(
        "No, not in bay north: CO2 would exceed 10,000 ppm (15-minute average) in > 99 % and 5,000 ppm (8-hour "
        "average) in 98 %, and could exceed 40,000 ppm (immediately dangerous) in 20 % of scenarios, if all of that "
        "day's work is done in one bay at today's ventilation. Bay north: Noise at the bare ear would exceed "
    )
    milder = tuple(replace(limit, chance_exceeded=0.1) for limit in limits)
    south = replace(bay, result=replace(bay.result, bay="south", limits=milder))
    assert lead(south, bay).startswith("No, not in any bay: CO2 would exceed 10,000 ppm (15-minute average) in > 99 %")
    assert "in 20 % of scenarios in the worst of them, if" in lead(south, bay)


def test_minutes_that_were_never_logged_are_planning_figures(new_book: Callable[..., Book]) -> None:
    """Where no job has minutes the page warns as `estimate` does and says what minutes rest on."""
    from pipeline.answers.estimating import estimate_jobs
    from pipeline.answers.requests import JobAsked, LineAsked

    rows = [{k: v for k, v in row.items() if k != "minutes"} for row in vans(12)]
    asking = _booked(new_book, "[bays.north]\n" + SMALL, rows, "young")
    answer = report_contents(asking)
    page = report_page(answer, Style())
    estimate = estimate_jobs(asking, [JobAsked("J", TODAY, (LineAsked("van", "undercarriage", "heavy"),))])
    (short,) = [w for w in estimate.warnings if "The record of " in w]
    assert short in answer.warnings
    assert page.count("No minutes are logged yet: minutes are planning figures from book.toml.") > 1
    assert "of them; none is entered." in page.replace("\u00a0", " ")
    assert page.count("Bay north: No ventilation is entered") == 1


def test_the_page_warns_of_priced_jobs_that_would_fill_the_only_bay(new_book: Callable[..., Book]) -> None:
    """With nothing booked the limits that the ice of a priced job would pass are told with the air."""
    page = report_page(report_contents(Asking(new_book("[bays.north]\n" + SMALL), TODAY)), Style())
    part = page.split('<section id="air"')[1].split("</section>")[0].replace("\u00a0", " ")
    assert "Jobs priced above: The ice of sedan (undercarriage), suv (undercarriage, wheel wells)" in part


def test_a_booked_job_is_priced_for_its_customer_as_the_shown_command_does(
    new_book: Callable[..., Book], run: Run
) -> None:
    """The command on the page, with the booking's customer, the page's seed and level, gives the page's figures."""
    import json
    import shlex

    from pipeline.present.page_prices import prices_data

    rows = [{**row, "customer": "O'Neil" if k % 2 else "K-2", "pellets_lb": 90.0 if k % 2 else 45.0 + k}
            for k, row in enumerate(vans(24))]  # fmt: skip
    book = new_book(rows=rows)
    with book.writing() as connection:
        connection.execute(
            "insert into bookings (booking_id, taken_on, day, vehicle_class, zone, customer, batch, row_hash) "
            "values ('B-1', ?, ?, 'van', 'undercarriage', 'O''Neil', 0, 0)",
            [TODAY - timedelta(days=9), TODAY + timedelta(days=2)],
        )
    learn_book(Asking(book, TODAY))
    asking = Asking(book, TODAY, seed=3, level=0.9)
    shown = json.loads(prices_data(report_contents(asking).result, Style()))["jobs"][0]["choices"][0]
    command = shlex.split(shown["command"])
    assert command[command.index("--customer") + 1] == "O'Neil"
    assert command[command.index("--seed") + 1] == "3"
    code, out, err = run(*command[1:], "--json", "--book", str(book.folder))
    assert code == 0, err
    quote = json.loads(out)["result"]["quotes"][0]
    assert quote["cost_usd"]["mean"] == pytest.approx(shown["mean"])
    assert quote["cost_usd"]["interval"]["level"] == 0.9
    plain = [word for word in command[1:] if word not in ("--customer", "O'Neil")]
    other = json.loads(run(*plain, "--json", "--book", str(book.folder))[1])["result"]["quotes"][0]
    assert abs(other["cost_usd"]["mean"] / quote["cost_usd"]["mean"] - 1) > 0.01
