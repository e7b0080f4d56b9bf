"""Quotes priced again on arrival; fleets, choices and what options refuse."""

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from quote_books import DAY, ROW, asking, van

from pipeline.answers.part_done import SoFar, read_so_far
from pipeline.answers.quoting import Wanted, quote_jobs
from pipeline.answers.requests import job_from_options
from pipeline.answers.saved_quotes import followed, requote, save_quotes
from pipeline.cli.main import main
from pipeline.present.figures import Style
from pipeline.present.quote_text import render_quote
from shared.errors import RimebookError


def test_found_dirt_reprices_beside_what_was_agreed(new_book) -> None:
    """Severe in place of light raises the price over the ceiling: the customer is to be asked; --save keeps it."""
    book = new_book()
    first = save_quotes(asking(book), [van(book, soil="light")], Wanted(price_usd=260.0)).result.quotes[0]
    found = requote(asking(book), 1, ["undercarriage:severe", "engine_bay:heavy"], Wanted(), save=True)
    again = found.result.quotes[0]
    assert again.number == 1
    assert [line.zone for line in again.estimate.lines] == ["undercarriage", "engine_bay"]
    assert again.agreed is not None
    assert again.agreed.price_usd == 260.0
    assert again.agreed.ceiling_usd == first.ceiling_usd
    assert again.agreed.ask_customer
    assert again.price_usd > first.ceiling_usd
    kept = followed(asking(book))[0].quote.quoted
    assert kept["price_usd"] == 260.0
    assert kept["found"][0]["request"]["lines"][0]["soil_level"] == "severe"


def test_rest_of_a_part_done_job_is_narrower_and_cheaper(new_book) -> None:
    """A third done as thought: the rest is about two thirds, the whole narrower than the estimate."""
    book = new_book()
    plain = quote_jobs(asking(book), [van(book)]).result.quotes[0]
    third = SoFar(0.33 * plain.pellets_lb.quantiles[0.5], 0.33 * plain.minutes.quantiles[0.5], 0.33)
    rest = quote_jobs(asking(book), [van(book)], wanted=Wanted(so_far=third)).result.quotes[0].rest
    assert rest is not None
    assert rest.pellets_lb.quantiles[0.5] == pytest.approx(0.67 * plain.pellets_lb.quantiles[0.5], rel=0.15)
    assert rest.total_pellets_lb.interval.high - rest.total_pellets_lb.interval.low < 0.85 * (
        plain.pellets_lb.interval.high - plain.pellets_lb.interval.low
    )
    assert rest.cost_usd.mean < rest.total_cost_usd.mean
    assert rest.method == "scenarios"


def test_compare_soil_rises_and_water_stays_out_of_electrics(new_book) -> None:
    """Each soil level costs more than the last; another way is priced where entered and never into an engine bay."""
    book = new_book("[other_way.undercarriage]\nusd = 18.0\nminutes = 60\n[other_way.engine_bay]\nusd = 5.0\n")
    soil = quote_jobs(asking(book), [van(book)], wanted=Wanted(compare="soil")).result.quotes[0].compare
    assert soil is not None
    assert [c.name for c in soil] == ["light", "moderate", "heavy", "severe"]
    assert sorted(c.cost_usd.mean for c in soil) == [c.cost_usd.mean for c in soil]
    both = job_from_options(book.settings, vehicle="van", zones=["undercarriage", "engine_bay"], day=DAY)
    way = quote_jobs(asking(book), [both], wanted=Wanted(compare="way")).result.quotes[0].compare
    assert way is not None
    assert way[0].other_usd == pytest.approx(18.0 + 32.0 + 20.0)
    assert way[1].note == "water must stay out"


def test_fleet_is_wider_than_independent_vans_and_dearer_than_one(new_book) -> None:
    """Twelve vans cost twelve times one; their relative spread shrinks far less than by the root of twelve."""
    book = new_book()
    one = quote_jobs(asking(book), [van(book, "")]).result.quotes[0]
    dozen = quote_jobs(asking(book), [van(book, "")], wanted=Wanted(count=12)).result.quotes[0]
    assert dozen.cost_usd.mean == pytest.approx(12 * one.cost_usd.mean, rel=0.05)

    def relative(quote) -> float:
        return (quote.pellets_lb.interval.high - quote.pellets_lb.interval.low) / quote.pellets_lb.quantiles[0.5]

    assert relative(dozen) > 1.5 * relative(one) / 12**0.5
    assert dozen.count == 12


def test_deposit_covers_the_ice_and_never_exceeds_the_price(new_book) -> None:
    """The deposit is the ice at risk rounded up; where ice is very dear and the price set low, the price caps it."""
    book = new_book()
    plain = quote_jobs(asking(book), [van(book)]).result.quotes[0]
    assert plain.ice_at_risk_usd <= plain.deposit_usd < plain.ice_at_risk_usd + 5
    low = quote_jobs(asking(book), [van(book)], price_usd=20.0).result.quotes[0]
    assert low.deposit_usd == 20.0


def test_no_show_share_starts_from_planning_and_follows_the_bookings(new_book) -> None:
    """Forty kept bookings out of forty bring the planning 8 % down."""
    book = new_book()
    before = quote_jobs(asking(book), [van(book)]).result.quotes[0].no_show_share
    with book.writing() as connection:
        connection.execute(
            "insert into bookings (booking_id, day, vehicle_class, zone, status, batch, row_hash) "
            "select 'B' || i, date '2026-01-05', 'van', 'interior', 'done', 0, 0 from range(40) t(i)"
        )
    assert before == pytest.approx(0.08)
    assert quote_jobs(asking(book), [van(book)]).result.quotes[0].no_show_share == pytest.approx(1.6 / 60)


def test_logged_setup_replaces_the_planning_constant(new_book) -> None:
    """Thirty visits with 40 + 20 min beside the nozzle make the set-up part that of an hour, not of half one."""
    rows = [{**ROW, "job_id": f"J{k}", "day": DAY - timedelta(days=k + 1), "setup_min": 40.0, "cleanup_min": 20.0}
            for k in range(30)]  # fmt: skip
    book = new_book(rows=rows)
    later = [{**ROW, "job_id": "L", "day": DAY, "setup_min": 1400.0, "cleanup_min": 1400.0}]
    part = {p.name: p.mean_usd for p in quote_jobs(asking(book), [van(book)]).result.quotes[0].parts}
    assert part["set-up and clean-up"] == pytest.approx(32.0, rel=0.1)
    with book.writing() as connection:
        for row in later:
            filled = {**row, "pass": 1, "batch": 0, "row_hash": 1}
            connection.execute(
                f"insert into job_lines ({', '.join(filled)}) values ({', '.join('?' * len(filled))})",
                list(filled.values()),
            )
    again = {p.name: p.mean_usd for p in quote_jobs(asking(book), [van(book)]).result.quotes[0].parts}
    assert again == part, "an absurd job on the day itself moves nothing as of that morning"


def test_the_spelling_of_a_newcomers_name_moves_no_price(new_book) -> None:
    """Twelve vehicles of customers without a record cost what they cost without a name; of a known one they do not."""
    book = new_book(rows=[{**ROW, "job_id": "A", "day": DAY - timedelta(days=9)}])
    with book.writing() as connection:
        connection.execute(
            "insert into expectations (version, job_id, day, quantity, mean, q10, q50, q90, pit, actual) "
            "values (1, 'A', date '2026-02-21', 'pellets_lb', 80, 60, 80, 110, 0.5, 90)"
        )
    fleet = Wanted(count=12)
    costs = {
        name: quote_jobs(asking(book), [van(book, name)], wanted=fleet).result.quotes[0].cost_usd.mean
        for name in ("", "NEWA", "newb", "Zeta", "K-1")
    }
    assert costs.pop("K-1") != costs[""]
    assert set(costs.values()) == {costs[""]}


def test_customer_that_takes_more_is_quoted_more(new_book) -> None:
    """A customer whose twenty visits took half again what was expected costs more than one that never came."""
    rows, told = [], []
    for k in range(60):
        customer = f"K-{k % 3}"
        rows.append({**ROW, "job_id": f"J{k}", "day": DAY - timedelta(days=k + 1), "customer": customer})
        actual = 120.0 if customer == "K-1" else 80.0
        told += [(f"J{k}", DAY - timedelta(days=k + 1), q, actual) for q in ("pellets_lb", "minutes")]
    book = new_book(rows=rows)
    with book.writing() as connection:
        connection.executemany(
            "insert into expectations (version, job_id, day, quantity, mean, q10, q50, q90, pit, actual) "
            "values (1, ?, ?, ?, 85, 60, 80, 110, 0.5, ?)", told,
        )  # fmt: skip
    base = quote_jobs(asking(book), [van(book, "")]).result.quotes[0]
    dirty = quote_jobs(asking(book), [van(book, "K-1")]).result.quotes[0]
    clean = quote_jobs(asking(book), [van(book, "K-2")]).result.quotes[0]
    assert dirty.pellets_lb.mean > 1.15 * base.pellets_lb.mean
    assert clean.pellets_lb.mean < 1.02 * base.pellets_lb.mean


def test_customer_with_one_job_is_told(new_book) -> None:
    """One visit on record counts, and the answer says how little it says."""
    book = new_book(rows=[{**ROW, "job_id": "A", "day": DAY - timedelta(days=9)}])
    with book.writing() as connection:
        connection.execute(
            "insert into expectations (version, job_id, day, quantity, mean, q10, q50, q90, pit, actual) "
            "values (1, 'A', date '2026-02-21', 'pellets_lb', 80, 60, 80, 110, 0.5, 90)"
        )
    assert any("one job" in w for w in quote_jobs(asking(book), [van(book)]).warnings)


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["--so-far", "30lb/25min", "--done", "1.2"], "bad-done-share"),
        (["--so-far", "30lb/25min", "--done", "0"], "bad-done-share"),
        (["--so-far", "30lb/25min", "--done", "33"], "bad-done-share"),
        (["--so-far", "30lb/25min"], "bad-done-share"),
        (["--done", "0.5"], "no-so-far"),
        (["--so-far", "0lb/25min", "--done", "0.3"], "bad-so-far"),
        (["--so-far", "lots", "--done", "0.3"], "bad-so-far"),
        (["--so-far", "1lb/2min/3", "--done", "0.3"], "bad-so-far"),
        (["--so-far", "30lb/25min", "--done", "0.3", "--count", "2"], "so-far-of-many"),
        (["--compare", "colour"], "bad-compare"),
        (["--compare", "machine"], "one-machine"),
        (["--compare", "way"], "no-other-way"),
        (["--price", "0"], "bad-price"),
        (["--price", "-5"], "bad-price"),
        (["--soil", "undercarriage:severe"], "soil-without-found"),
        (["--found", "7"], "no-such-quote"),
        (["--lost", "7"], "no-such-quote"),
        (["--won", "7"], "no-job"),
        (["--won", "7", "--lost", "7", "--job-id", "A"], "option-left-out"),
    ],
)
def test_bad_wishes_are_refused_in_words(new_book, capsys, arguments: list[str], code: str) -> None:
    """Each wrong option ends with an error object that names it, never a traceback."""
    book = new_book()
    saved = {"--found", "--lost", "--won"} & {*arguments}
    job = [] if saved else ["--vehicle", "van", "--zone", "undercarriage:heavy"]
    assert main(["quote", *job, "--book", str(book.folder), "--json", *arguments]) in (1, 2)
    assert json.loads(capsys.readouterr().out)["error"]["code"] == code


def test_an_own_word_for_soil_is_told_to_be_an_alias(new_book, capsys) -> None:
    """Classes and zones can be added to a book; a soil level can only be another word for one of the known."""
    asked = ["estimate", "--vehicle", "van", "--zone", "undercarriage:zzz", "--book", str(new_book().folder), "--json"]
    assert main(asked) in (1, 2)
    assert "aliases" in json.loads(capsys.readouterr().out)["error"]["do"]


def test_options_that_need_others_are_named_before_the_job(new_book, capsys) -> None:
    """`--done` alone is told to want `--so-far`, not a vehicle."""
    assert main(["quote", "--done", "0.3", "--book", str(new_book().folder), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["code"] == "no-so-far"


@pytest.mark.parametrize(
    ("soil", "code"),
    [("undercarriage", "no-soil"), ("undercarriage:filthy", "unknown-soil"), ("roof:light", "unknown-zone")],
)  # fmt: skip
def test_what_was_found_must_be_a_known_zone_and_level(new_book, soil: str, code: str) -> None:
    """--soil without a level, or with unknown words, is refused."""
    book = new_book()
    save_quotes(asking(book), [van(book)], Wanted())
    with pytest.raises(RimebookError) as told:
        requote(asking(book), 1, [soil], Wanted())
    assert told.value.problem.code == code


def test_an_own_price_says_for_how_many_and_that_it_is_kept(new_book) -> None:
    """Of a fleet an own price is that of all vehicles, and what each pays is said; saved, it is the price kept."""
    book = new_book()
    wanted = Wanted(count=3, price_usd=900.0)
    told = " ".join(render_quote(quote_jobs(asking(book), [van(book)], wanted=wanted), Style()).split())
    assert "At $900 for 3 vehicles alike ($300 each): expected margin" in told
    assert "was kept" not in told
    told = " ".join(render_quote(save_quotes(asking(book), [van(book)], wanted), Style()).split())
    assert "This is the price that was kept." in told


def test_so_far_reads_units_and_single_figures(new_book) -> None:
    """Kilograms and hours are read by their units; one figure alone leaves the other unknown."""
    settings = new_book().settings
    both = read_so_far(settings, "10 kg/1h 15m", 0.5)
    assert both.pellets_lb == pytest.approx(22.046, abs=0.01)
    assert both.minutes == 75
    assert read_so_far(settings, "25min", 0.5).minutes == 25
    alone = read_so_far(settings, "30lb", 0.5)
    assert alone.pellets_lb == 30
    assert alone.minutes != alone.minutes


def test_text_and_json_carry_every_wish(new_book, capsys) -> None:
    """Number, ceiling, deposit, rest and choices stand in the text and under their keys in JSON."""
    book = new_book()
    asked = ["quote", "--vehicle", "van", "--zone", "undercarriage:heavy", "--book", str(book.folder), "--save",
             "--compare", "soil", "--so-far", "30lb/25min", "--done", "0.33", "--customer", "K-1"]  # fmt: skip
    assert main(asked) == 0
    text = capsys.readouterr().out
    for words in ("Quote 1", "Ceiling", "deposit", "33 % done", "severe"):
        assert words in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert main([*asked, "--json"]) == 0
    quote = json.loads(capsys.readouterr().out)["result"]["quotes"][0]
    assert quote["number"] == 2
    assert quote["rest"]["done_share"] == 0.33
    assert [c["name"] for c in quote["compare"]] == ["light", "moderate", "heavy", "severe"]
    assert {"deposit_usd", "ceiling_usd", "count", "agreed", "at_price"} <= set(quote)
    assert main(["quote", "--lost", "2", "--book", str(book.folder)]) == 0
    assert "Quote 2 is lost" in capsys.readouterr().out


def test_quotes_of_a_file_of_jobs_share_one_ground(new_book) -> None:
    """Two jobs priced together get the prices they get alone."""
    book = new_book()
    jobs = [replace(van(book), job_id="a"), replace(van(book, soil="light"), job_id="b")]
    together = [q.price_usd for q in quote_jobs(asking(book), jobs).result.quotes]
    alone = [quote_jobs(asking(book), [job]).result.quotes[0].price_usd for job in jobs]
    assert together == alone


def test_the_two_margins_of_a_found_job_are_told_apart(new_book) -> None:
    """Each margin stands with the price it is earned at: the agreed one, and the one for the dirt as found."""
    book = new_book()
    first = save_quotes(asking(book), [van(book, soil="light")], Wanted())
    plain = " ".join(render_quote(first, Style()).split())
    assert "Expected margin" in plain
    assert "as found" not in plain
    answer = requote(asking(book), 1, ["undercarriage:severe"], Wanted())
    quote = answer.result.quotes[0]
    told = " ".join(render_quote(answer, Style()).split())
    then, now = Style().money(quote.agreed.price_usd), Style().money(quote.price_usd)
    assert then != now
    assert f"If you keep to the agreed {then}, the expected margin is" in told
    assert f"The price as found, {now}, is above the ceiling" in told
    assert f"Price as found {now} before tax" in told
    assert "At the price as found: expected margin" in told
