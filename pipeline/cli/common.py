"""What every command shares: its options, how an answer is shown, and what a date on the command line is."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from pipeline.cli.shares import share_option
from shared.errors import UsageError

if TYPE_CHECKING:
    # numpy and the database take half of the time in which `--help` is told.
    from pipeline.answers.answer import Answer, Asking
    from pipeline.book.settings import Shop
    from pipeline.book.store import Book
    from pipeline.present.figures import Style

Result = TypeVar("Result")

BookOption = Annotated[
    Path, typer.Option("--book", envvar="RIMEBOOK_BOOK", metavar="DIR", help="Folder of the book (default: here).")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Answer as JSON on stdout.")]
TodayOption = Annotated[
    str | None, typer.Option("--today", metavar="DATE", help="Answer as of that morning, from only what was before it.")
]
SeedOption = Annotated[int, typer.Option("--seed", min=0, max=2**31 - 1, help="Fixes the draws.")]
LevelOption = Annotated[float, share_option("--level", "Level of the interval: 0.8 or 80%.")]
HERE = Path()
#: Days of which answers can be asked: calendars reach some years around each.
_FIRST_YEAR, _LAST_YEAR = 1900, 2199
#: Signs of our own texts in letters that every terminal has.
_PLAIN = {"°": "deg ", "€": "EUR ", "£": "GBP ", "…": "...", "–": "-", "×": "x", "±": "+/-", "─": "-", "━": "-"}
#: Commands asked many times a day: their text tells each caution in one line.
_SHORT_CAUTIONS = ("estimate", "quote", "report")
_CONTROLS = {c: None for c in (*range(0x20), *range(0x7F, 0xA0)) if chr(c) not in "\n\t"}


def read_date(text: str, option: str) -> date:
    """Return a date given on the command line in ISO 8601.

    Raises
    ------
    UsageError
        When it is none, or of no year a shop may ask of.
    """
    try:
        day = date.fromisoformat(text.strip())
    except ValueError as error:
        raise UsageError(
            "bad-date", where=option, found=f"`{text}`", expected="a date such as 2026-06-30",
            do="Write year-month-day.",
        ) from error  # fmt: skip
    if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
        raise UsageError(
            "bad-date", where=option, found=f"`{text}`", expected=f"a year from {_FIRST_YEAR} to {_LAST_YEAR}",
            do="Check the year.",
        )  # fmt: skip
    return day


def read_level(level: float) -> float:
    """Return a level in (0, 1).

    Raises
    ------
    UsageError
        When it is none; 80 is told to be 0.8.
    """
    if not 0.0 < level < 1.0:
        # 1.5 may have been 150%: no percentage of a percentage is meant.
        do = f"Write {level / 100:g}." if 2.0 <= level < 100.0 else "Write for example 0.8."
        raise UsageError("bad-level", where="--level", found=f"{level:g}", expected="a share between 0 and 1", do=do)
    return level


def read_price(text: str | None, currency: str) -> float | None:
    """Return a price given on the command line, such as 400, $400 or 1,250.50.

    Raises
    ------
    UsageError
        When it is no amount above 0 in the book's currency.
    """
    if text is None:
        return None
    from pipeline.intake.quantities import parse_quantity

    price, _ = parse_quantity(text, "money", currency=currency)
    do = "Write the price before tax in the book's currency, such as 400 or 1250.50."
    expected = f"a price above 0 and under 10,000,000 in {currency}"
    if not isinstance(price, float):
        do = f"{price.hint[:1].upper()}{price.hint[1:]}."
    elif 1e-6 <= price < 1e7:
        if abs(100 * price - round(100 * price)) <= 1e-6:
            return price
        do, expected = f"Its point may have meant thousands, or have slipped. {do}", f"{expected}, in whole cents"
    raise UsageError("bad-price", where="--price", found=f"`{text}`", expected=expected, do=do)


def read_quantity(text: str, kind: str, option: str, shop: Shop, bounds: tuple[float, float]) -> float:
    """Return a quantity given on the command line in the unit of the book's columns (lb, psi, in, USD a lb ...).

    A unit in the text counts; a bare number is in the book's units, as in a log.

    Parameters
    ----------
    kind : str
        Kind of quantity, see `pipeline.intake.units.Kind`.
    bounds : (low, high)
        In the unit of the book's columns, both included.

    Raises
    ------
    UsageError
        When it is no such quantity, or out of bounds.
    """
    from pipeline.intake.quantities import parse_quantity
    from pipeline.intake.units import book_unit

    unit = book_unit(kind, shop.units)  # type: ignore[arg-type]  # checked on loading
    value, _ = parse_quantity(text, kind, unit, currency=shop.currency)  # type: ignore[arg-type]  # kinds are texts here
    if isinstance(value, float) and bounds[0] <= value <= bounds[1]:
        return value
    code, do = "out-of-range", "Check the unit and the decimal point."
    if not isinstance(value, float):
        code, do = (
            "no-quantity",
            f"{value.hint[:1].upper()}{value.hint[1:]}.".replace("of this column", "of this option"),
        )
    wanted = f"{bounds[0]:g} to {bounds[1]:g} {book_unit(kind, 'us')} (bare numbers are {unit})".replace(" /", " a ")
    raise UsageError(code, where=option, found=f"`{text}`", expected=wanted, do=do)


def today_of(book: Book, given: str | None) -> date:
    """Return the day an answer is made for: the option, else the book's `as_of`, else the system's date."""
    if given is not None:
        return read_date(given, "--today")
    return book.settings.shop.as_of or date.today()


def ask(folder: Path, today: str | None, *, seed: int = 1, level: float = 0.8) -> Asking:
    """Open the book and return who asks and as of when."""
    from pipeline.answers.answer import Asking
    from pipeline.book.store import open_book

    book = open_book(folder)
    return Asking(book, today_of(book, today), seed, read_level(level))


def style_of(book: Book) -> Style:
    """Return the shop's way of writing figures."""
    from pipeline.present.figures import Style

    return Style("metric" if book.settings.shop.units == "metric" else "us", book.settings.shop.currency)


def show(
    command: str,
    asking: Asking,
    answer: Answer[Result],
    render: Callable[[Answer[Result], Style], str],
    *,
    as_json: bool,
    dated: bool = True,
) -> None:
    """Print an answer: JSON or text on stdout, warnings on stderr; `dated` ones tell a book's `as_of`."""
    if as_json:
        from pipeline.present.json_text import render_answer

        print_out(render_answer(command, asking.book.name, asking.today, answer))
    else:
        from pipeline.answers.cautions import in_short
        from pipeline.present.terminal import paragraph

        lines = [render(answer, style_of(asking.book))]
        if dated and (as_of := asking.book.settings.shop.as_of):
            why = " (set as `as_of` in book.toml)" if asking.today == as_of else ""
            lines.append(paragraph(f"As of {asking.today.isoformat()}{why}."))
        if answer.cautions:
            short = command in _SHORT_CAUTIONS
            lines.append("\nTake care (in full with --json):" if short else "\nTake care:")
            lines += [paragraph(f"- {c}") for c in (in_short(answer.cautions) if short else answer.cautions)]
        print_out("\n".join(lines))
    for warning in answer.warnings:
        tell(f"Note: {warning}")


def print_out(text: str) -> None:
    """Write an answer to stdout; where it cannot write a sign, in plain letters."""
    sys.stdout.write(_writable(_harmless(text), sys.stdout.encoding or "utf-8") + "\n")


def _writable(text: str, encoding: str) -> str:
    if encoding.lower().replace("-", "").startswith("utf"):
        return text
    return "".join(c if c.isascii() or _fits(c, encoding) else _PLAIN.get(c, c) for c in text)


def _fits(sign: str, encoding: str) -> bool:
    try:
        sign.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def tell(text: str) -> None:
    """Write a line to stderr."""
    sys.stderr.write(_harmless(text) + "\n")


def _harmless(text: str) -> str:
    """Return the text without the control characters by which a note or code could steer a terminal."""
    return text.translate(_CONTROLS)


class Progress:
    """A progress bar on stderr; plain silence where stderr is no terminal or NO_COLOR is set."""

    def __init__(self, title: str) -> None:
        import os

        self.bar: Any = None
        self.task: Any = None
        if sys.stderr.isatty() and not os.environ.get("NO_COLOR"):
            from pipeline.present.progress import bar

            self.bar = bar()
            self.task = self.bar.add_task(title, total=1.0)

    def __enter__(self) -> Callable[[float, str], None]:
        if self.bar is not None:
            self.bar.start()
        return self._advance

    def _advance(self, share: float, doing: str) -> None:
        if self.bar is not None:
            self.bar.update(self.task, completed=share, description=doing)

    def __exit__(self, *unused: object) -> None:
        if self.bar is not None:
            self.bar.stop()
