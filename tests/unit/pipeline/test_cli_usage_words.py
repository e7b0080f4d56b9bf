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


def test_the_version_is_told(run: Callable[..., tuple[int, str, str]]) -> None:
    """--version answers by itself, with the version of the package."""
    assert run("--version") == (0, f"rimebook {VERSION}\n", "")
