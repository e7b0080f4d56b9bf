"""What an import tells of rows that it keeps out: each misspelling, several zones, packages, what is in already."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from log_files import log_file

from pipeline.answers.answer import Answer
from pipeline.book.store import Book
from pipeline.book.toml_file import load_settings
from pipeline.intake.importing import FileResult, ImportAnswer, ImportResult, import_files
from pipeline.present.figures import Style
from pipeline.present.import_text import render_import

TODAY = date(2026, 7, 1)
HEAD = "job_id,date,vehicle_class,zone,pellets_lb,minutes"


def put(book: Book, folder: Path, *rows: str, head: str = HEAD, name: str = "jobs.csv") -> ImportAnswer:
    return import_files(book, [log_file(folder, name, head, *rows)], today=TODAY)


def test_each_misspelling_has_its_own_hint(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Rows that want the same correction are told together, others apart, the commonest first."""
    zones = ["undercariage", "undercarrige", "enginebayy", "intereor"]
    answer = put(new_book(), tmp_path, *(f"A{i},2026-03-02,van,{z},20,30" for i, z in enumerate(zones)))
    told = [(r.rows, r.example, r.hint) for r in answer.result.files[0].reasons]
    assert told == [
        (2, "undercariage", "did you mean 'undercarriage'?"),
        (1, "enginebayy", "did you mean 'engine_bay'?"),
        (1, "intereor", "did you mean 'interior'?"),
    ]


def test_many_misspellings_are_capped_and_none_is_lost(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Beyond six groups the rest is one; the rows of all groups together are the rejected ones."""
    rows = [f"B{i},2026-03-02,van,zzq{'x' * i}w,20,30" for i in range(12)]
    file = put(new_book(), tmp_path, *rows).result.files[0]
    assert len(file.reasons) == 7
    assert sum(r.rows for r in file.reasons) == file.rejected == 12
    assert any("each is named in the rejects file" in r.hint and r.rows == 6 for r in file.reasons)


@pytest.mark.parametrize(
    ("zone", "code", "words"),
    [
        ("undercarriage; wheel wells", "several-zones", "write undercarriage, wheel_wells on rows of their own"),
        ("interior + door jambs", "several-zones", "write interior, door_jambs on rows of their own"),
        ("engine bay and intereor", "several-zones", "write engine_bay, intereor on rows of their own"),
        ("full underside", "unknown-zone", "[words] packages in book.toml"),
        ("Silver package", "unknown-zone", "[words] packages in book.toml"),
        ("zzqqx", "unknown-zone", "[words] packages in book.toml"),
    ],
)
def test_a_cell_of_several_zones_or_a_package_says_what_to_do(
    zone: str, code: str, words: str, new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """Several zones go on rows of their own; a package is named in the settings; neither is called a misspelling."""
    (reason,) = put(new_book(), tmp_path, f'A1,2026-03-02,van,"{zone}",20,30').result.files[0].reasons
    assert reason.code == code
    assert words in reason.hint
    assert "did you mean" not in reason.hint


def test_rejected_visits_that_are_in_already_are_named(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """After the corrected rejects came in, the old file brings them up again: it says that they are in."""
    book = new_book()
    rows = ["A1,2026-03-02,van,undercariage,20,30", "A2,2026-03-02,van,interior,5,9", "A3,2026-03-02,vam,interior,5,9"]
    assert not any("already" in w for w in put(book, tmp_path, *rows).warnings)
    put(book, tmp_path, rows[0].replace("undercariage", "undercarriage"), name="jobs.csv.rejects.csv")
    again = put(book, tmp_path, *rows)
    (said,) = [w for w in again.warnings if "already" in w]
    assert said.startswith("1 visit with rejected rows is in the book already: A1.")
    assert again.result.batch is None


def test_canonical_heads_say_which_log_it_is(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """`date, container, weight_lb` are deliveries, with a word of doubt; heads in other words stay in doubt."""
    answer = put(new_book(), tmp_path, "2026-03-02,tote,300", head="date,container,weight_lb", name="ice.csv")
    assert answer.result.files[0].kind == "deliveries"
    assert any("--kind weighings" in w for w in answer.warnings)
    priced = put(new_book(name="b"), tmp_path, "2026-03-02,300,20", head="date,weight_lb,fee_usd", name="paid.csv")
    assert priced.result.files[0].kind == "deliveries"
    assert not any("--kind" in w for w in priced.warnings)
    left = put(new_book(name="c"), tmp_path, "2026-03-02,tote,300", head="at,container,net_lb", name="left.csv")
    assert left.result.files[0].kind == "weighings"


def test_a_price_of_nothing_is_told(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A visit charged 0 is kept and named once; one without a price is not."""
    rows = ["A1,2026-03-02,van,interior,5,9,0", "A1,2026-03-02,van,engine_bay,5,9,0", "A2,2026-03-02,van,interior,5,9,"]
    answer = put(new_book(), tmp_path, *rows, head=HEAD + ",price_usd")
    (said,) = [w for w in answer.warnings if "charged 0" in w]
    assert said.startswith("1 visit charged 0")
    assert said.endswith(": A1")


def test_reasons_are_sentences_with_what_to_do(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Each reason names its column, its rows, what stands there and the cure; a blank cell is called blank."""
    rows = ["A1,2026-03-02,van,undercariage,20,30", "A2,2026-03-02,van,,20,30", "A3,2026-03-02,gig,interior,2,3"]
    rows += ["A4,2026-03-02,van,undercarrige,20,30"]
    done = put(new_book(), tmp_path, *rows)
    told = " ".join(render_import(Answer(done.result), Style()).split())
    assert "- zone, 2 rows, such as `undercariage`: did you mean 'undercarriage'? -" in told
    assert "- zone, 1 row, blank: zone may not be blank" in told
    assert "- vehicle_class, 1 row, `gig`: 'gig' is no known vehicle class; known: compact, sedan" in told
    assert 'under [words]: aliases = {"gig" = "one of these"}.' in told


def test_words_of_dirt_are_rejected_with_all_levels_in_sight(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """An unknown level names the known ones, near in letters or not, and the line of book.toml works as it is told."""
    book = new_book()
    head = "job_id,date,vehicle_class,zone,soil_level,pellets_lb"
    rows = ["A1,2026-03-02,van,interior,filthy,5", "A2,2026-03-02,van,interior,very dirty,5"]
    file = put(book, tmp_path, *rows, head=head).result.files[0]
    assert file.rejected == 2
    hints = {reason.example: reason.hint for reason in file.reasons}
    assert all("light, moderate, heavy, severe, unknown" in hint for hint in hints.values())
    line = hints["filthy"].split("[words]: ")[1].replace("one of these", "severe")
    (tmp_path / "with_alias.toml").write_text(f"[words]\n{line}\n", encoding="utf-8")
    settings = load_settings(tmp_path / "with_alias.toml")
    assert settings.words.aliases == {"filthy": "severe"}


def test_jobs_without_pellets_are_told(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A jobs log in which no head names the pellets says so; with one, or with zones as heads, it does not."""
    head = "job_id,date,vehicle_class,zone,"
    told = put(new_book(), tmp_path, "A1,2026-03-02,van,interior,5", head=head + "Qty").warnings
    assert any("no head names the pellets" in w for w in told)
    told = put(new_book(name="other"), tmp_path, "A1,2026-03-02,van,interior,5", head=head + "Kg").warnings
    assert not any("no head names the pellets" in w for w in told)
    wide = put(
        new_book(name="wide"),
        tmp_path,
        "A1,2026-03-02,van,5,9",
        head="job_id,date,vehicle_class,interior lb,interior min",
    )
    assert not any("no head names the pellets" in w for w in wide.warnings)


def test_the_cell_that_proves_the_order_is_the_first(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The note on day and month names the first cell that proves it, every time."""
    days = ["03.04.2026", "19.03.2026", "14.03.2026", "25.03.2026", "30.03.2026"]
    answer = put(new_book(), tmp_path, *(f"A{i},{day},van,interior,5,9" for i, day in enumerate(days)))
    assert any("because '19.03.2026' can only be that" in w for w in answer.warnings)


def test_no_count_is_cut_off_where_names_are_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """At 80 columns a long file name is folded; every head and number of the account stays whole."""
    monkeypatch.setenv("COLUMNS", "80")
    files = tuple(
        FileResult(name, "deliveries", 123_456, 123_400, 50, 6, 12_345, (), (), None)
        for name in ("deliveries-of-the-first-half-year.csv", "short.csv")
    )
    told = render_import(Answer(ImportResult(files, 1)), Style())
    assert all(len(line) <= 80 for line in told.splitlines())
    assert "set aside" in told
    assert told.count("12,345") == told.count("123,400") == 2
    assert "".join(told.split()).count("short.csv") == 1


def test_a_comma_before_three_digits_parts_the_thousands_of_money(
    new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """One price with decimal commas makes no cents of $1,150; the cells are named, and rejected as they were."""
    file = log_file(
        tmp_path, "jobs.csv", f"{HEAD},price_usd", 'A,2026-03-02,van,interior,8,45,"$1,150"',
        'B,2026-03-02,van,interior,8,45,"380,00"', 'C,2026-13-02,van,interior,8,45,"$2,400"',
    )  # fmt: skip
    book = new_book()
    answer = import_files(book, [file], today=TODAY)
    with book.reading() as connection:
        assert connection.execute("select price_usd from job_lines order by job_id").fetchall() == [(1150.0,), (380.0,)]
    assert any("`$1,150` as 1150, `$2,400` as 2400, which could be a thousand times" in w for w in answer.warnings)
    rejected = Path(answer.result.files[0].rejects_file or "").read_text(encoding="utf-8-sig")
    assert '"$2,400"' in rejected


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        (("12,5", "1,150"), "`1,150` as 1.15,"),  # proven, and yet a scale shows it otherwise
        (("300", "1.250"), "`1.250` as 1.25,"),
        (("12.5", "1.250"), ""),
        (("300", "1,250"), ""),
        (("300", "61.250"), ""),  # 61,250 lb are never delivered
    ],
)
def test_cells_that_could_be_a_thousand_times_more_are_named(
    cells: tuple[str, str], told: str, new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """Where no cell of the column settles it and the log believes both readings."""
    rows = [f'2026-03-0{i},T1,"{cell}"' for i, cell in enumerate(cells, start=1)]
    file = log_file(tmp_path, "deliveries.csv", "date,container,weight_lb", *rows)
    warnings = import_files(new_book(), [file], today=TODAY, kind="deliveries").warnings
    named = [w for w in warnings if "a thousand times" in w]
    assert [told in w for w in named] == [True] * bool(told)


def test_what_a_ticket_says_once_is_carried_to_its_next_rows(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Date, vehicle and class of the row above with the same job_id; a class of its own, or below two, stays."""
    book = new_book()
    answer = put(
        book, tmp_path, "A,2026-03-02,van,V1,interior,8,45", "A,,,,engine bay,18,35", "A,,suv,V2,interior,8,45",
        "B,2026-03-03,van,,interior,8,45", ",,,,engine bay,18,35", "C,2026-03-04,,,interior,8,45",
        "D,2026-03-05,van,V1,interior,8,45", "D,,suv,V2,interior,8,45", "D,,,,engine bay,18,35",
        head="job_id,date,vehicle_class,vehicle,zone,pellets_lb,minutes",
    )  # fmt: skip
    with book.reading() as connection:
        lines = connection.execute(
            "select job_id, day, vehicle, vehicle_class, zone from job_lines order by all"
        ).fetchall()
    assert lines == [
        ("A", date(2026, 3, 2), "V1", "van", "engine_bay"), ("A", date(2026, 3, 2), "V1", "van", "interior"),
        ("A", date(2026, 3, 2), "V2", "suv", "interior"), ("B", date(2026, 3, 3), "", "van", "interior"),
    ]  # fmt: skip
    assert {(r.column, r.rows) for r in answer.result.files[0].reasons} >= {("vehicle_class", 3), ("job_id", 1)}
    (note,) = [w for w in answer.warnings if "taken from the row above" in w]
    assert note.endswith("date (line 3, 4, 9, 10; 4 rows); vehicle (line 3; 1 row); vehicle_class (line 3; 1 row)")


def test_figures_far_below_and_faster_than_any_blaster_are_named(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """1.30 under `minutes` may be an hour and a half; all is kept, and told in the book's units."""
    rows = [f"U{i},2026-03-02,suv,undercarriage,50,60" for i in range(4)]
    rows += ["A,2026-03-02,suv,undercarriage,45,1.30", "B,2026-03-02,suv,undercarriage,1.2,60"]
    for units, fast, few in (("us", "8 lb a minute", "1.2 lb (line 7; planned 56.2 lb)"),
                             ("metric", "3.6 kg a minute", "1.2 kg (line 7; planned 25.5 kg)")):  # fmt: skip
        book = new_book(f'[shop]\nunits = "{units}"\n', name=units)
        head = HEAD.replace("pellets_lb", "pellets")
        warnings = put(book, tmp_path, *rows, head=head, name=f"{units}.csv").warnings
        named = " | ".join(warnings)
        assert f"more than {fast}, which no blaster feeds" in named
        assert "A undercarriage: 45 " in named
        assert "A undercarriage: 1.3 min (line 6; planned 75 min)" in named
        assert few in named


@pytest.mark.parametrize(
    ("row", "hint"),
    [
        ("A,2026-03-02,van,interior,900,45,", "at most 363 kg is believed"),
        ("A,2026-03-02,van,interior,9,45,99999999999", "at most 10,000,000 is believed"),
    ],
)
def test_limits_are_told_plainly_and_in_the_books_units(
    row: str, hint: str, new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """Kilograms in a metric book, and no power of ten."""
    head = f"{HEAD},price_usd".replace("pellets_lb", "pellets_kg")
    (reason,) = put(new_book('[shop]\nunits = "metric"\n'), tmp_path, row, head=head).result.files[0].reasons
    assert hint in reason.hint


@pytest.mark.parametrize("word", ["Summe", "Gesamt", "insgesamt", "Zwischensumme:", "Total", "Totaux", "Suma"])
def test_totals_rows_are_known_in_other_languages(word: str, new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A sum at the foot of the table is no job."""
    file = put(new_book(), tmp_path, "A,2026-03-02,van,interior,8,45", f"{word},,,,8,45").result.files[0]
    assert (file.accepted, file.rejected, file.set_aside) == (1, 0, 1)


def test_lines_that_come_beside_those_of_a_visit_are_told(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A plate or another zone makes a new line; the visit keeps the old one, and that is said with both."""
    book = new_book()
    rows = ("H1,2026-03-02,van,undercarriage,100,90", "H2,2026-03-02,van,suspension,30,40",
            "H2,2026-03-02,van,engine_bay,20,30", "H3,2026-03-02,van,interior,9,30")  # fmt: skip
    assert put(book, tmp_path, *rows).warnings == ()
    plate = put(book, tmp_path, "H1,2026-03-02,van,undercarriage,100,90,HA-06", head=f"{HEAD},plate", name="plates.csv")
    (told,) = plate.warnings
    assert told.startswith("1 visit of the book with new lines beside lines that this file does not have")
    assert told.endswith("undo this batch and the older one, and import again: "
                         "H1 (new: undercarriage of HA-06; kept: undercarriage)")  # fmt: skip
    zone = put(book, tmp_path, rows[1].replace("suspension", "interior"), rows[2], name="zone.csv")
    assert zone.warnings[0].endswith(": H2 (new: interior; kept: suspension)")
    grown = put(book, tmp_path, rows[3], rows[3].replace("interior", "door_jambs"), name="grown.csv")
    assert grown.warnings == ()
    assert put(book, tmp_path, *rows, name="again.csv").warnings == ()


def test_time_zones_that_a_book_without_one_cannot_use_are_told(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Such stamps are read as written and counted, cell by cell; a midnight is a day, and needs no time zone."""
    rows = ("2026-03-02T23:30:00Z,bin,40", "2026-03-03T00:30:00-07:00,bin,39", "2026-03-03T00:30:00-07:00,box,9",
            "2026-03-04T07:30,bin,30", "2026-03-05T00:00:00Z,bin,29")  # fmt: skip
    head = "at,container,net_lb"
    told = [note for note in put(new_book(), tmp_path, *rows, head=head).warnings if "time zone" in note]
    assert len(told) == 1
    assert told[0].startswith("at: 3 stamps with a time zone ('Z', '-07:00') read as written")
    assert "set time_zone under [shop]" in told[0]
    shop = new_book('[shop]\ntime_zone = "America/Denver"\n', name="placed")
    assert put(shop, tmp_path, *rows, head=head).warnings == ()
