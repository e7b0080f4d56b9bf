"""What is said of values on the command line that cannot be read."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from pipeline.book.store import Book
from pipeline.cli.main import main
from shared.version import VERSION


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["quote", "--found", "abc"], "'--found': no whole number"),
        (["order", "--days", "1.5"], "'--days': no whole number"),
        (["forecast", "--jobs-change", "ten"], "'--jobs-change': no number"),
    ],
)
def test_a_value_that_is_no_number_is_told_plainly(
    arguments: list[str], said: str, new_book: Callable[..., Book], capsys: pytest.CaptureFixture[str]
) -> None:
    """Usage errors end with 2 and name the option and what is wrong, without the parser's own words."""
    code = main([*arguments, "--book", str(new_book().folder)])
    told = capsys.readouterr().err
    assert code == 2
    assert said in told
    assert "Input should" not in told
    assert "parse" not in told


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["safety", "--length-ft", "10 m"], "--length-ft: found `10 m`, in m; expected a figure in ft. Write "
         "--length-ft 32.81."),
        (["safety", "--length-ft", "10 bar"], "in bar; expected a figure in ft. Write the figure alone, in ft."),
        (["safety", "--flow-cfm", "500m3/h"], "in m3/h; expected a figure in cfm. Write --flow-cfm 294.3."),
        (["safety", "--temperature-f", "20 C"], "in C; expected a figure in F. Write --temperature-f 68."),
        (["safety", "--pause-min", "1:30"], "found `1:30`; expected a figure in min. Write --pause-min 90."),
        (["safety", "--pause-min", "-5"], "expected 0 to 1440 min"),
        (["safety", "--stored-lb", "100 kg"], "Write --stored-lb 220.5."),
        (["safety", "--stored-lb-day", "5 kg"], "in kg; expected a figure in lb a day"),
        (["safety", "--noise-dba", "loud"], "found `loud`; expected a figure in dBA"),
        (["estimate", "--vehicle", "van", "--zone", "interior", "--ice-age", "36 h"], "Write --ice-age 1.5."),
        (["estimate", "--vehicle", "van", "--zone", "interior", "--standoff", "20 bar"], "no unit of this option"),
    ],
)  # fmt: skip
def test_a_figure_in_another_unit_is_told_with_both(
    arguments: list[str], said: str, run: Callable[..., tuple[int, str, str]], new_book: Callable[..., Book]
) -> None:
    """The unit found, the unit expected and what to write are told."""
    code, _, told = run(*arguments, "--book", str(new_book().folder))
    assert code == 2
    assert said in told


def test_the_unit_of_an_options_name_may_be_written(
    run: Callable[..., tuple[int, str, str]], new_book: Callable[..., Book]
) -> None:
    """'33 ft' under --length-ft is 33."""
    book = str(new_book().folder)
    figures = [["33", "20", "12", "400", "10"], ["33 ft", "20ft", "12 feet", "400 cfm", "10min"]]
    options = ("--length-ft", "--width-ft", "--height-ft", "--flow-cfm", "--pause-min")
    job = ("safety", "--vehicle", "van", "--zone", "interior", "--json", "--book", book)
    bare, named = (run(*job, *(x for pair in zip(options, f, strict=True) for x in pair)) for f in figures)
    assert bare == named
    assert bare[0] == 0


def test_the_version_is_told(run: Callable[..., tuple[int, str, str]]) -> None:
    """--version answers by itself, with the version of the package."""
    assert run("--version") == (0, f"rimebook {VERSION}\n", "")
