"""The refined price list as a file: a CSV that runs nothing, a page that reaches for nothing."""

import csv
import io
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.answers.price_list import ListFactor, ListPrice, PriceList
from pipeline.intake.texts import guard
from pipeline.present.figures import Style, money_range
from pipeline.present.output_file import check_output, write_whole
from pipeline.present.price_list_page import price_list_csv, price_list_html
from shared.errors import RimebookError


@pytest.mark.parametrize(
    ("text", "written"),
    [("=1+1", "'=1+1"), ("+a", "'+a"), ("-a", "'-a"), ("@a", "'@a"), ("\tx", "'\tx"), ("'=x", "''=x"), ("van", "van"),
     ("o'x", "o'x")],
)  # fmt: skip
def test_no_text_becomes_a_formula(text: str, written: str) -> None:
    """A text a spreadsheet would run, or that hides one behind ', gets one more '."""
    assert guard(text) == written


def some_list(vehicle_class: str = "=cmd()") -> PriceList:
    entry = ListPrice(vehicle_class, "engine_bay", 3, 100.0, 80.0, 120.0, 90.0, False)
    return PriceList(0.3, 0.28, 0.32, 0.25, 0.8, 40, replace(entry, vehicle_class="", zone=""), (entry,),
                     (ListFactor("heavy", 1.5, 1.4),), 95.0)  # fmt: skip


def test_csv_of_the_list_is_guarded_and_whole() -> None:
    """Call-out, prices and factors stand in the columns; an own class that looks like a formula is defused."""
    rows = list(csv.DictReader(io.StringIO(price_list_csv(some_list()))))
    assert [r["vehicle_class"] for r in rows] == ["call-out", "'=cmd()", "factor heavy"]
    assert rows[1]["price_usd"] == "100.00"
    assert rows[1]["supported"] == "no"


def test_page_of_the_list_is_self_contained_and_escaped() -> None:
    """Markup in a shop's words is shown, not run; nothing is fetched."""
    page = price_list_html(some_list("<script>x</script>"), Style(), shop="A & B")
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    assert "A &amp; B" in page
    assert "http" not in page.replace("http-equiv", "")
    assert ">100*<" in page
    assert "For the shop, not for customers" in page


def test_a_call_out_that_every_visit_cost_alike_is_fixed() -> None:
    """Ends that are one figure are no range; ends within a unit of money have their cents."""
    prices = some_list("van")
    told = {}
    for name, low, high in (("one", 51.2, 51.2), ("near", 50.8, 51.25), ("range", 45.0, 60.0)):
        call_out = replace(prices.call_out, low_usd=low, high_usd=high)
        page = price_list_html(replace(prices, call_out=call_out), Style())
        told[name] = page.split("call\u2011out</td>")[1].split("</tr>")[0]
        assert money_range(low, high, Style().money) in {"fixed", "$50.80 to $51.25", "$45 to $60"}
    assert ">fixed<" in told["one"]
    assert ">50.80 to 51.25<" in told["near"]
    assert ">45 to 60<" in told["range"]


def test_the_caption_has_the_currency_and_the_minimum_its_cents() -> None:
    """No cell repeats the currency, and the least price is told to the cent that is charged."""
    page = price_list_html(replace(some_list(), minimum_usd=99.95), Style("metric", "CHF"))
    assert "before tax, CHF</caption>" in page
    assert "at least 99.95 CHF." in page
    assert "CHF" not in page.split("<tbody>", 1)[1]
    assert "<td>call\u2011out</td>" in page


def test_page_of_a_long_list_prints_on_one_page() -> None:
    """Fifty-six prices (eight classes times seven zones) still fit one sheet."""
    weasyprint = pytest.importorskip("weasyprint")
    entry = some_list().prices[0]
    many = tuple(replace(entry, vehicle_class=f"class {c}", zone=f"zone_{z}") for c in range(8) for z in range(7))
    page = price_list_html(replace(some_list(), prices=many), Style(), shop="Shop")
    assert len(weasyprint.HTML(string=page).render().pages) == 1


def test_a_missing_folder_is_told_alike_before_and_while_writing(tmp_path: Path) -> None:
    """A list that is written at once is refused in the words of a report that is checked first."""
    told = []
    for write in (lambda f: check_output(f, force=False), lambda f: write_whole(f, b"")):
        with pytest.raises(RimebookError) as caught:
            write(tmp_path / "nowhere" / "list.html")
        told.append(caught.value.problem)
    assert told[0] == told[1]
    assert (told[0].found, told[0].do) == ("no such folder", "Make the folder or choose another place.")


def test_long_names_and_large_prices_stay_in_their_column() -> None:
    """Two tables side by side end before each other's text and the paper's edge, in a currency without a sign."""
    weasyprint = pytest.importorskip("weasyprint")
    entry = ListPrice("", "", 3, 112_345.0, 100_080.0, 121_120.0, 119_000.0, False)
    zones = ("undercarriage", "suspension_and_brake_lines", "wheel_wells", "engine_bay")
    many = tuple(replace(entry, vehicle_class=f"Kommunalfahrzeuge_{c}", zone=z) for c in range(6) for z in zones)
    page = price_list_html(replace(some_list(), prices=many), Style("metric", "CHF"), shop="Shop")
    (sheet,) = weasyprint.HTML(string=page).render().pages
    boxes = list(sheet._page_box.descendants())
    places = {round(b.position_x): b for b in boxes if b.element_tag == "table" and type(b).__name__ == "TableBox"}
    left, right = sorted(places)[0], sorted(places)[-1]
    cells = [b for b in boxes if b.element_tag in ("td", "th")]
    edge = {left: right, right: round(sheet.width - 45)}
    for cell in cells:
        place = left if cell.position_x < right - 1 else right
        assert cell.position_x + cell.border_width() <= edge[place] + 1
