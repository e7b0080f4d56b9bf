"""The customer's sheet: what it tells, and what it never tells."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.customer_sheet import shop_logo
from pipeline.answers.quote_ground import Ground, ground_of
from pipeline.book.store import Book

Run = Callable[..., tuple[int, str, str]]
PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)
TOML = """
[shop]
name = "Bays <i>& Co</i>"
address = "1 Example Lane, Example Town"
as_of = "2026-05-20"
logo = "logo.png"
[pricing]
tax_share = 0.06
"""
JOB = ("--vehicle", "suv", "--zone", "undercarriage:heavy", "--zone", "engine_bay")


@pytest.fixture
def book(new_book: Callable[..., Book]) -> Book:
    """Return a book of a shop with a logo."""
    made = new_book(TOML)
    (made.folder / "logo.png").write_bytes(PIXEL)
    return made


def _sheet(book: Book, run: Run, *more: str) -> tuple[str, str]:
    file = book.folder.parent / "sheet.html"
    code, _, err = run("quote", *JOB, *more, "--sheet", str(file), "--force", "--book", str(book.folder))
    assert code == 0, err
    return file.read_text(encoding="utf-8"), err


def test_it_tells_scope_price_and_terms(book: Book, run: Run, ask: Callable[..., dict]) -> None:  # type: ignore[type-arg]
    """Shop, zones, price with and without tax, validity, ceiling, prices by dirt and cautions are on it."""
    page, _ = _sheet(book, run, "--customer", "O'Neil")
    answer = ask("quote", book.folder, *JOB)
    told = answer["result"]["quotes"][0]
    assert "Bays &lt;i&gt;&amp; Co&lt;/i&gt;" in page
    assert "1 Example Lane" in page
    assert "O&#39;Neil" in page
    for amount in (f"${told['price_usd']:,.0f}", f"${told['price_with_tax_usd']:,.2f}", f"${told['ceiling_usd']:,.0f}"):
        assert amount in page
    assert told["valid_until"] in page
    assert "engine bay" in page
    assert "not seen yet" in page
    for soil in ("light", "moderate", "heavy", "severe"):
        assert f"<td>{soil}</td>" in page
    assert "Local codes" in page
    assert "data:image/png;base64," in page


def test_it_tells_no_internal_cost(book: Book, run: Run, ask: Callable[..., dict]) -> None:  # type: ignore[type-arg]
    """No cost, part of it, margin, risk or chance of loss is on it."""
    page, _ = _sheet(book, run)
    told = ask("quote", book.folder, *JOB)["result"]["quotes"][0]
    text = page.split("<body>")[1].casefold()
    for word in ("margin", "overhead", "labour", "chance of loss", "risk", "compressor", "cost"):
        assert word not in text
    for part in told["parts"]:
        assert f"${part['mean_usd']:,.2f}" not in page
    assert f"${told['cost_usd']['mean']:,.0f}" not in page


def test_an_own_price_is_the_price(book: Book, run: Run) -> None:
    """The price of --price stands on it, without a list that would contradict it."""
    page, _ = _sheet(book, run, "--price", "777")
    assert "$777 before tax" in page
    assert "If all zones are" not in page


def test_amounts_are_told_as_they_are_charged(new_book: Callable[..., Book], run: Run) -> None:
    """Cents of a price and of a tax rate are not rounded away; a day that nobody named is not promised."""
    page, _ = _sheet(new_book(TOML.replace("0.06", "0.08875")), run, "--price", "777.5")
    assert "$777.50 before tax" in page
    assert "$846.50 with 8.875\u00a0% tax" in page
    assert "Day of the work" not in page


def test_a_shop_without_a_name_signs_as_the_shop(new_book: Callable[..., Book], run: Run) -> None:
    """Where book.toml names no shop the sheet makes up no name."""
    page, _ = _sheet(new_book(), run)
    assert "<title>Quote</title>" in page
    assert "Date, the shop" in page
    assert 'class="shop"' not in page


def test_a_named_day_of_work_is_on_it(book: Book, run: Run) -> None:
    """The day that was asked for stands on the sheet."""
    page, _ = _sheet(book, run, "--date", "2026-06-03")
    assert "<dt>Day of the work</dt><dd>2026-06-03</dd>" in page


@pytest.mark.parametrize(
    ("logo", "content", "said"),
    [("none.png", None, "cannot be read"), ("logo.png", b"text", "is no PNG"),
     ("logo.png", PIXEL + b"\0" * 1_000_001, "larger than 1 MB")],
)  # fmt: skip
def test_a_missing_logo_is_told(
    logo: str, content: bytes | None, said: str, new_book: Callable[..., Book], run: Run
) -> None:
    """A logo that is missing, elsewhere, no picture or too large leaves the sheet without one, and that is said."""
    book = new_book(TOML.replace("logo.png", logo))
    if content is not None:
        (book.folder / logo).write_bytes(content)
    page, err = _sheet(book, run)
    assert said in err
    assert "<img" not in page


def test_a_logo_elsewhere_is_not_read(new_book: Callable[..., Book], run: Run) -> None:
    """A link that leads out of the book's folder is not followed."""
    book = new_book(TOML)
    outside = book.folder.parent / "elsewhere.png"
    outside.write_bytes(PIXEL)
    (book.folder / "logo.png").symlink_to(outside)
    file = book.folder.parent / "sheet.html"
    code, _, err = run("quote", *JOB, "--sheet", str(file), "--book", str(book.folder))
    assert code == 1
    assert "a file inside the book's folder" in err
    assert not file.exists()


def test_no_logo_is_nothing_to_say(new_book: Callable[..., Book]) -> None:
    """A shop without a logo is not told so."""
    assert shop_logo(new_book()) == (None, "")


def test_a_sheet_that_is_there_is_kept(book: Book, run: Run, tmp_path: Path) -> None:
    """A file that exists is refused before a quote is saved; so is a name that is neither HTML nor PDF."""
    file = tmp_path / "s.html"
    file.write_text("mine")
    code, _, err = run("quote", *JOB, "--save", "--sheet", str(file), "--book", str(book.folder))
    assert (code, file.read_text()) == (1, "mine")
    assert "--force" in err
    code, _, err = run("quote", *JOB, "--sheet", str(tmp_path / "s.docx"), "--book", str(book.folder))
    assert code == 2
    code, _, err = run("quote", "--found", "1", "--book", str(book.folder))
    assert "no saved quote" in err


def test_a_saved_quote_has_its_number(book: Book, run: Run) -> None:
    """A saved quote's number is on its sheet, and on the one made again when it is found."""
    page, _ = _sheet(book, run, "--save")
    assert "Quote 1" in page
    file = book.folder.parent / "again.html"
    code, _, err = run("quote", "--found", "1", "--soil", "engine_bay:severe", "--sheet", str(file), "--book",
                       str(book.folder))  # fmt: skip
    assert code == 0, err
    again = file.read_text(encoding="utf-8")
    assert "Quote 1" in again
    assert "<td>severe</td>" in again.split("Included")[0]


def test_the_sheet_of_a_found_job_names_what_was_found(book: Book, run: Run) -> None:
    """A zone added on arrival is in the scope, and a coating that is stripped is not among what is left out."""
    _sheet(book, run, "--save")
    file = book.folder.parent / "found.html"
    code, _, err = run("quote", "--found", "1", "--soil", "interior:heavy", "--coating-removed", "--sheet", str(file),
                       "--book", str(book.folder))  # fmt: skip
    assert code == 0, err
    page = file.read_text()
    assert "interior" in page
    assert "stripping of old undercoating" not in page


def test_the_sheet_of_a_found_job_names_what_was_agreed(book: Book, run: Run, ask: Callable[..., dict]) -> None:  # type: ignore[type-arg]
    """Two sheets of one number with two prices are told apart: the second names the first price and its ceiling."""
    first, _ = _sheet(book, run, "--save", "--price", "480")
    assert "<h1>Quote 1</h1>" in first
    assert "Agreed ceiling" in first
    file = book.folder.parent / "found.html"
    wish = ("--found", "1", "--soil", "engine_bay:severe")
    agreed = ask("quote", book.folder, *wish, "--sheet", str(file))["result"]["quotes"][0]["agreed"]
    page = file.read_text(encoding="utf-8")
    assert "<h1>Quote 1, as found on arrival</h1>" in page
    assert f"Agreed before: $480, with a ceiling of ${agreed['ceiling_usd']:,.0f} (before tax)." in page
    assert "Agreed ceiling" not in page


def test_the_sheet_of_a_fleet_says_that_amounts_are_of_all(book: Book, run: Run) -> None:
    """Price, ceiling, list and deposit of three vehicles cannot be read as those of one."""
    assert "All amounts on this sheet are for 3 vehicles alike, together." in _sheet(book, run, "--count", "3")[0]
    assert "All amounts" not in _sheet(book, run)[0]


def test_a_sheet_as_pdf(book: Book, run: Run, tmp_path: Path) -> None:
    """--sheet FILE.pdf writes a PDF where the extra is installed."""
    pytest.importorskip("weasyprint", exc_type=ImportError)
    file = tmp_path / "s.pdf"
    code, _, err = run("quote", *JOB, "--sheet", str(file), "--book", str(book.folder))
    assert code == 0, err
    assert file.read_bytes().startswith(b"%PDF")
    assert "empty boxes" not in err


def test_letters_that_no_font_has_are_told(book: Book, run: Run, tmp_path: Path) -> None:
    """A PDF that prints a letter as an empty box says which, once; the page as HTML leaves that to its reader."""
    pytest.importorskip("weasyprint", exc_type=ImportError)
    odd = "\U0010fff0"  # of a private plane that no font fills
    told = {}
    for name in ("s.pdf", "s.html"):
        asked = ("quote", *JOB, "--customer", f"Ab{odd}{odd}", "--sheet", str(tmp_path / name), "--json")
        code, out, err = run(*asked, "--book", str(book.folder))
        assert code == 0, err
        told[name] = [w for w in json.loads(out)["warnings"] if "empty boxes" in w]
    (said,) = told["s.pdf"]
    assert said.count("U+10FFF0") == 1
    assert "U+0041" not in said
    assert told["s.html"] == []


def test_sheets_of_many_jobs_read_the_past_once(
    book: Book, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What quotes rest on is gathered once for all sheets of a call, and each says what it says alone."""
    asked: list[str] = []

    def counted(asking: Asking, customer: str = "") -> Ground:
        asked.append(customer)
        return ground_of(asking, customer)

    monkeypatch.setattr("pipeline.answers.customer_sheet.ground_of", counted)
    jobs = tmp_path / "jobs.csv"
    jobs.write_text("job_id,date,vehicle_class,zone,customer\n"
                    + "".join(f"J{k},2026-06-0{k},suv,undercarriage,C-{k}\n" for k in range(1, 6)))  # fmt: skip
    file = tmp_path / "sheets.html"
    code, _, err = run("quote", "--jobs", str(jobs), "--sheet", str(file), "--book", str(book.folder))
    assert code == 0, err
    assert file.read_text().count("<h1>") == 5
    assert len(asked) == 1


def _sheets(book: Book, run: Run, file: Path, rows: list[str], *more: str) -> str:
    jobs = book.folder.parent / "several.csv"
    jobs.write_text("job_id,vehicle_class,zone,soil_level,customer\n" + "".join(f"{row}\n" for row in rows))
    code, _, err = run("quote", "--jobs", str(jobs), *more, "--sheet", str(file), "--force", "--book", str(book.folder))
    assert code == 0, err
    return err


def test_what_is_signed_is_named_where_it_is_signed(book: Book, run: Run, tmp_path: Path) -> None:
    """Above the signatures stand quote number (else the file's job), customer, price and ceiling of that sheet."""
    file, rows = tmp_path / "s.html", ["J-1,suv,undercarriage,heavy,K-1", "J-2,van,interior,light,"]
    _sheets(book, run, file, rows, "--price", "400")
    first, second = file.read_text().split("</article>")[:2]
    ends = [part.split('<div class="end">')[1] for part in (first, second)]
    assert "Quote, job <bdi>J-1</bdi>, for <bdi>K-1</bdi>: $400 before tax, agreed ceiling $" in ends[0]
    assert "Quote, job <bdi>J-2</bdi>: $400 before tax" in ends[1]
    assert '<dt>Job</dt><dd dir="auto">J-2</dd>' in second
    _sheets(book, run, file, rows, "--price", "400", "--save")
    saved = file.read_text()
    assert "Quote 1, for <bdi>K-1</bdi>: $400 before tax" in saved
    assert "J-1" not in saved
    assert "asked" not in _sheet(book, run)[0].split('<div class="end">')[1]


def test_each_page_of_a_pdf_names_its_sheet(book: Book, run: Run, tmp_path: Path) -> None:
    """The foot of every page tells quote, customer and price of the sheet that it belongs to, its names cut."""
    weasyprint = pytest.importorskip("weasyprint", exc_type=ImportError)
    long = "W" * 100
    rows = [f"{job},suv,{zone},heavy,{who}" for job, who in (("J-1", "K-1"), ("J-2", long))
            for zone in ("undercarriage", "wheel_wells", "engine_bay", "interior")]  # fmt: skip
    file = tmp_path / "s.html"
    err = _sheets(book, run, file, rows, "--price", "400")
    assert "Sheets of 2 customers in one file: K-1, W" in " ".join(err.split())
    pages = weasyprint.HTML(string=file.read_text()).render().pages
    feet = []
    for page in pages:
        (foot,) = (box for box in page._page_box.children if getattr(box, "at_keyword", "") == "@bottom-left")
        told = "".join(part.text for part in foot.descendants() if hasattr(part, "text"))
        feet.append("".join(told.split()))  # lines end without their space
    assert len(pages) == 4
    first, second = "Quote, job J-1, for K-1: $400 before tax", f"Quote, job J-2, for {'W' * 37}...: $400 before tax"
    assert feet == ["".join(told.split()) for told in (first, first, second, second)]


def test_sheets_of_one_customer_are_nothing_to_part(book: Book, run: Run, tmp_path: Path) -> None:
    """The same customer in other letters, or a job that names nobody, is no second customer."""
    rows = ["J-1,suv,interior,heavy,K-1", "J-2,van,interior,light,k-1", "J-3,van,interior,light,"]
    assert "customers in one file" not in _sheets(book, run, tmp_path / "s.html", rows)
    rows.append("J-4,van,interior,light,K-2")
    assert "Sheets of 2 customers in one file" in " ".join(_sheets(book, run, tmp_path / "s.html", rows).split())
