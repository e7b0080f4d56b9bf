"""A strict grammar for one number as people write it: text -> value or fault, and what a column proves about commas."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pipeline.intake.faults import Fault
from pipeline.intake.texts import is_error_cell, tidy

if TYPE_CHECKING:
    from collections.abc import Iterable

_VULGAR: Final = {
    "½": 1 / 2,
    "¼": 1 / 4,
    "¾": 3 / 4,
    "⅓": 1 / 3,
    "⅔": 2 / 3,
    "⅛": 1 / 8,
    "⅜": 3 / 8,
    "⅝": 5 / 8,
    "⅞": 7 / 8,
}
#: One number. The alternatives are disjoint in what they leave over: the look-ahead keeps a shorter one from biting.
NUMBER: Final = (
    r"(?:"
    r"\d+(?:\.\d+)?[eE][+-]?\d{1,3}|"  # 1.5e-05, as programs write
    r"(?:\d{1,3}(?:[ -]| - )?)?[½¼¾⅓⅔⅛⅜⅝⅞]"  # 1½
    r"|(?:\d{1,3}(?:[ -]| and ))?[1-9]\d?/(?:2|3|4|8|16)"  # 1 1/2, 1-1/2, 3/4
    r"|[1-9]\d{0,2}(?:[ '’]\d{3})+(?:[.,]\d+)?"  # 1 234,5
    r"|[1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)?"  # 1,234.5
    r"|[1-9]\d{0,2}(?:\.\d{3})+(?:,\d+)?"  # 1.234,5
    r"|\d+(?:[.,]\d*)?"  # 12, 12.5, 12,5, 12.
    r"|[.,]\d+"  # .5
    r")(?![\d½¼¾⅓⅔⅛⅜⅝⅞]|[.,'’/]\d)"
)
_NUMBERS: Final = re.compile(NUMBER)
_ONE_NUMBER: Final = re.compile(rf"\D*?{NUMBER}\D*")
_SIGNED: Final = re.compile(rf"([-+−]?)\s?({NUMBER})")
_PLAIN: Final = re.compile(r"\d+(?:\.\d+)?")
#: Group 1 is the decimal sign of an amount without cents: '1.200,-', '50.--'.
NO_CENTS: Final = re.compile(r"(?<=\d)([.,])[-–—]{1,2}(?=\D*$)")
#: A whole number stands apart from a fraction of digits (15/16 is less than one); '1½' needs nothing between.
_FRACTION: Final = re.compile(
    r"(?:(?P<whole>\d+)(?:[ -]| - )?)?(?P<vulgar>[½¼¾⅓⅔⅛⅜⅝⅞])"
    r"|(?:(?P<units>\d+)(?:[ -]| and ))?(?P<top>\d+)/(?P<bottom>\d+)"
)
_APPROXIMATE: Final = re.compile(
    r"(?:~|≈|±|ca\.?|c\.|approx(?:imately|\.)?|about|around|roughly|est\.?)\s*(?=[\d.,½¼¾⅓⅔⅛$])", re.I
)
_BOUND: Final = re.compile(
    r"(?:(?:<=?|>=?|≤|≥|over|under|above|below|more than|less than|at least|at most|up to|max\.?|min\.?)"
    rf"\s*\$?{NUMBER}.*"
    rf"|{NUMBER}\s*\S*\s*(?:\+|plus|or more|or less))",
    re.I,
)
_RANGE: Final = re.compile(
    rf"\$?({NUMBER})\s*[^\d\s]{{0,7}}?\s*(?:-|–|—|to|\.\.+|~|or|/)\s*\$?({NUMBER})\s*[^\d]*", re.I
)


@dataclass(frozen=True, slots=True)
class Screened:
    """A cell fit for the grammar of a quantity: the text without an approximation sign, and whether it had one."""

    text: str
    approximate: bool


def screen(text: str, decimal_comma: bool | None) -> Screened | Fault:
    """Return the tidied cell, or a fault for what is no single figure: error cells, ranges, bounds.

    '~60' is accepted as 60 and marked; '45-50' and '> 60' are refused, because the middle or the end of a range is a
    figure nobody measured.
    """
    if is_error_cell(text):
        return Fault("error-cell", "the spreadsheet shows an error here; correct the formula or type the figure")
    plain = tidy(text)
    approximate = _APPROXIMATE.match(plain)
    if approximate:
        plain = plain[approximate.end() :]
    if _BOUND.fullmatch(plain):
        return Fault("bound", "write the one figure that was read, without 'over', 'under', '<', '>' or '+'")
    between = None if _ONE_NUMBER.fullmatch(plain) else _RANGE.fullmatch(plain)
    if between:
        low, high = (read_number(t, decimal_comma) for t in between.groups())
        return Fault(
            "range", f"write the one figure that was read; the middle of this range would be {(low + high) / 2:g}"
        )
    return Screened(plain, approximate is not None)


def read_number(body: str, decimal_comma: bool | None) -> float:
    """Return the value of a text that matches `NUMBER`.

    Parameters
    ----------
    body : str
        A match of `NUMBER` as a whole (no sign, no unit).
    decimal_comma : bool or None
        True where the column proves that commas are decimal signs; then '1,234' is 1.234 and '1.234' is 1234. Else
        a comma followed by exactly three digits is a thousands sign and a dot a decimal sign.
    """
    if _PLAIN.fullmatch(body) and not (decimal_comma and _style(body) == ""):
        return float(body)
    fraction = _FRACTION.fullmatch(body)
    if fraction:
        if fraction["vulgar"]:
            return float(fraction["whole"] or 0) + _VULGAR[fraction["vulgar"]]
        return float(fraction["units"] or 0) + int(fraction["top"]) / int(fraction["bottom"])
    packed = re.sub(r"[ '’]", "", body)
    if "e" in packed.lower():
        return float(packed)
    style = _style(packed)
    comma = style == "comma" or (style == "" and bool(decimal_comma))
    packed = packed.replace(".", "").replace(",", ".") if comma else packed.replace(",", "")
    return float(packed)


def proves_decimal_comma(values: Iterable[str]) -> bool:
    """Tell whether a column's cells prove that commas are decimal signs.

    True where some cell can only be read with a decimal comma ('12,5', '1.234,5', '0,500') and none only with a
    decimal point ('12.5', '1,234.5'). Give it all cells of the column (or the distinct ones); units may stand in them.
    """
    found = comma_evidence(values)
    return found == frozenset({"comma"})


def comma_evidence(values: Iterable[str]) -> frozenset[str]:
    """Return which of 'comma' and 'point' some cell proves; unions over the chunks of a column may be taken."""
    seen: set[str] = set()
    for text in values:
        if "," not in text and "." not in text:
            continue
        seen.add(_first_figure(text)[1])
    return frozenset(seen - {""})


def two_readings(text: str) -> tuple[float, float] | None:
    """Return what a cell is with a thousands sign and with a decimal one ('1.200': 1200, 1.2); None where it shows."""
    packed, proven = _first_figure(text)
    if proven or ("," not in packed and "." not in packed):
        return None
    return float(re.sub(r"[.,]", "", packed)), float(packed.replace(",", "."))


def without_habit(text: str) -> str:
    """Return a cell of a column of decimal commas with figures that read the same where nothing proves the commas.

    '1.250' is written '1250' and '1,125' as '1,1250'; all else stays as it is.
    """
    return _NUMBERS.sub(lambda match: _shown_sign(match[0]), text)


def _shown_sign(body: str) -> str:
    if not two_readings(body):
        return body
    return body.replace(".", "") if "." in body else f"{body}0"


def _first_figure(text: str) -> tuple[str, str]:
    """Return the first number of a cell, without blanks in it, and its decimal sign as `_style` has it.

    Both are '' for fractions and for numbers with an exponent: programs write those, whatever people do.
    """
    plain = tidy(text)
    match = _SIGNED.search(plain)
    if not match or "/" in match[2] or "e" in match[2].lower():
        return "", ""
    packed = re.sub(r"[ '’]", "", match[2])
    no_cents = NO_CENTS.search(plain)
    if no_cents:
        return packed, "comma" if no_cents[1] == "," else "point"
    return packed, _style(packed)


def _style(packed: str) -> str:
    """Return 'comma' or 'point' for the only decimal sign that fits, '' where both do or there is none."""
    commas, dots = packed.count(","), packed.count(".")
    if commas and dots:
        return "comma" if packed.rfind(",") > packed.rfind(".") else "point"
    if not commas and not dots:
        return ""
    sign = "," if commas else "."
    if max(commas, dots) > 1:
        return "point" if commas else "comma"  # a repeated sign parts thousands
    whole, part = packed.split(sign)
    if len(part) == 3 and 1 <= len(whole) <= 3 and whole[0] != "0":
        return ""
    return "comma" if commas else "point"
