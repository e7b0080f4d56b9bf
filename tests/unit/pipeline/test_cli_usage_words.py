"""What is said of values on the command line that cannot be read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.book.store import Book
from pipeline.cli.main import main
from pipeline.cli.shares import share_of
from shared.version import VERSION


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["quote", "--found", "abc"], "--found: found `abc`, no whole number; expected a whole number"),
        (["order", "--days", "1.5"], "--days: found `1.5`, no whole number"),
        (["forecast", "--jobs-change", "ten"], "--jobs-change: found `ten`; expected a share, such as 0.33 or 33%"),
        (["quote", "--count", "999"], "--count: found `999`; expected 200 or less"),
        (["estimate", "--ice-on=-5"], "--ice-on: found `-5`; expected 0 to 1"),
        (["estimate", "--ice-on", "33"], "--ice-on: found `33`; expected 0 to 1. Write --ice-on 33%."),
        (["safety", "--mixing", "1.5"], "--mixing: found `1.5`; expected 0.05 to 1. Check the figure."),
        (["safety", "--mixing", "5"], "--mixing: found `5`; expected 0.05 to 1. Write --mixing 5%."),
        (["estimate", "--ice-on", "33,3%"], "--ice-on: found `33,3%`; expected a share, such as 0.33 or 33%"),
        (["estimate", "--level", "nan"], "--level: found `nan`; expected a share"),
        (["estimate", "--level", "150%"], "expected a share between 0 and 1. Write for example 0.8."),
        (["safety", "--protector", "cap"], "--protector: found `cap`; expected one of 'muffs', 'formable', 'other'"),
        (["undo", "last"], "[BATCH]: found no whole number"),
        (
            ["quote", "--vehicle", "van", "--zone", "interior", "--price", "1e300"],
            "--price: found `1e300`; expected a price above 0 and under 10,000,000 in USD",
        ),
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


JOB = ("--vehicle", "van", "--zone", "interior")
ROOM = ("--length-ft", "40", "--width-ft", "20", "--height-ft", "12")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["estimate", *JOB, "--date", ""], "--date: found ``; expected a date"),
        (["order", "--from", ""], "--from: found ``"),
        (["order", "--deliver", ""], "--deliver: found ``"),
        (["technique", "--change", ""], "--change: found ``"),
        (["safety", *ROOM, *JOB, "--date", ""], "--date: found ``"),
        (["log", "--job-id", "A", "--vehicle", "van", "--zone", "interior=9lb/40min", "--date", ""], "--date:"),
        (["estimate", *JOB, "--today", "0001-01-01"], "found `0001-01-01`; expected a year from 1900 to 2199"),
        (["order", "--today", "9999-12-31"], "--today: found `9999-12-31`"),
        (["quote", *JOB, "--compare", ""], "--compare: found nothing; expected a value"),
        (["quote", *JOB, "--so-far", " ", "--done", "0.3"], "--so-far: found nothing"),
        (["quote", *JOB, "--so-far", "30", "--done", "0.3"], "--so-far: found `30`"),
        (["quote", *JOB, "--so-far", "1e9lb/2min", "--done", "0.3"], "--so-far: found `1e9lb/2min`"),
        (["quote", *JOB, "--so-far", "3lb/2min", "--done", "1e-300"], "--done: found `1e-300`"),
        (["costing", "--payback", ""], "--payback: found nothing"),
        (["report", "--out", ""], "--out: found `.`; expected the name of a file"),
        (["forecast", "--add-machine", ""], "--add-machine: found nothing"),
        (["safety", *JOB, "--length-ft", "0", *ROOM[2:]], "--length-ft: found 0; expected 0.1 to 10000"),
        (["safety", *JOB, *ROOM[:2], "--width-ft", "1e308", *ROOM[4:]], "--width-ft: found 1e+308"),
        (["safety", *ROOM, *JOB, "--flow-cfm", "-5"], "--flow-cfm: found -5"),
        (["safety", *ROOM, *JOB, "--air-changes", "inf"], "--air-changes: found inf"),
    ],
)  # fmt: skip
def test_a_value_that_asks_nothing_or_the_impossible_is_told(
    arguments: list[str], said: str, run: Callable[..., tuple[int, str, str]], new_book: Callable[..., Book]
) -> None:
    """It is refused by the name of its option, with the value, and no answer is made up without it."""
    code, out, told = run(*arguments, "--book", str(new_book().folder))
    assert (code, out) == (2, "")
    assert said in told


def test_a_long_word_is_cut_in_an_error(
    run: Callable[..., tuple[int, str, str]], new_book: Callable[..., Book]
) -> None:
    """A slip of the clipboard does not hide what is wrong with it, in text and in JSON."""
    at = ("--book", str(new_book().folder))
    call = ("estimate", "--vehicle", "x" * 5000, "--zone", "interior")
    code, _, told = run(*call, *at)
    assert code == 1
    assert "--vehicle: found `xxx" in told
    assert "x...x" in told
    assert len(told) < 500
    assert len(run(*call, *at, "--json")[1]) < 600


@pytest.mark.parametrize("call", [("import", "{long}"), ("estimate", *JOB, "--book", "{long}"), ("import", "{loop}")])
def test_a_name_that_the_system_refuses_is_told(
    call: tuple[str, ...], run: Callable[..., tuple[int, str, str]], new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """Names too long and links in a circle are the user's to mend, and no fault of the program."""
    loop = tmp_path / "loop.csv"
    loop.symlink_to(loop)
    filled = [a.format(long="n" * 300 + ".csv", loop=loop) for a in call]
    where = () if "--book" in call else ("--book", str(new_book().folder))
    code, _, told = run(*filled, *where)
    assert code == 1
    assert "expected a file or folder that can be read and written" in told
    assert "RIMEBOOK_TRACE" not in told


def test_a_codec_that_takes_nothing_is_no_encoding(
    run: Callable[..., tuple[int, str, str]], new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """Python knows codecs that are no encoding of a text."""
    file = tmp_path / "jobs.csv"
    file.write_text("job_id,date,vehicle_class,zone\nA,2026-03-02,van,interior\n")
    for name in ("undefined", "rot13"):
        code, _, told = run("import", str(file), "--encoding", name, "--book", str(new_book(name=name).folder))
        assert code == 1
        assert f"--encoding: found '{name}'; expected a text encoding" in told


@pytest.mark.parametrize(
    ("plain", "spelled"),
    [
        (["forecast", "--jobs-change", "0.1"], ["forecast", "--jobs-change", "10 %"]),
        (["forecast", "--jobs-change=-0.1"], ["forecast", "--jobs-change=-10%"]),
        (["order", "--deliver", "mon,thu"], ["order", "--deliver", "Monday, THU"]),
        (["order", "--service", "0.95"], ["order", "--service", "95%"]),
        (["estimate", "--vehicle", "van", "--zone", "interior", "--level", "0.9"],
         ["estimate", "--vehicle", "van", "--zone", "interior", "--level", "90percent"]),
        (["estimate", "--vehicle", "van", "--zone", "interior"],
         ["estimate", "--vehicle", "van", "--zone", "interior,"]),
    ],
)  # fmt: skip
def test_shares_and_weekdays_are_read_as_people_write_them(
    plain: list[str], spelled: list[str], new_book: Callable[..., Book], capsys: pytest.CaptureFixture[str]
) -> None:
    """A share may be a percentage and a weekday written out: the answer is the same."""
    told = []
    book = str(new_book().folder)
    for arguments in (plain, spelled):
        assert main([*arguments, "--book", book, "--today", "2026-07-01", "--json"]) == 0
        told.append(capsys.readouterr().out)
    assert told[0] == told[1]


@pytest.mark.parametrize(
    ("zone", "do"),
    [
        ("interior,engine_bay:heavy", "Write --zone interior --zone engine_bay:heavy."),
        ("interior:heavy, engine_bay", "Write --zone interior:heavy --zone engine_bay."),
        ("interior=heavy", "Write --zone interior:heavy."),
        ("interior:heavy=30lb/20min", "Write --zone interior:heavy."),
        ("interior=30lb", "Write --zone interior."),
        ("interior,engine_bay=heavy,", "Write --zone interior --zone engine_bay:heavy."),
        ("interior:heavy,light", "For example: --zone undercarriage:heavy"),
        (",", "found nothing; expected one of undercarriage"),
        ("=", "For example: --zone undercarriage:heavy"),
    ],
)
def test_a_zone_option_written_another_way_is_told_how(
    zone: str, do: str, new_book: Callable[..., Book], capsys: pytest.CaptureFixture[str]
) -> None:
    """Several zones in one option, and a soil level or a figure behind an equals sign."""
    assert main(["estimate", "--vehicle", "van", "--zone", zone, "--book", str(new_book().folder)]) == 1
    assert do in capsys.readouterr().err


def test_every_whole_percentage_is_the_share_that_it_reads_as() -> None:
    """57% is 0.57 to the last digit, so that both give the same answer."""
    read = share_of("--done", low=0.0, high=1.0)
    assert [read(f"{k}%") for k in range(101)] == [read(str(k / 100)) for k in range(101)]


@pytest.mark.parametrize(
    ("arguments", "do"),
    [
        (["--book", "demo", "import", "x.csv"], "Options stand after the command: rimebook import ... --book."),
        (["--book=shop", "safety"], "Options stand after the command: rimebook safety ... --book."),
        (["--book", "import"], "See: rimebook import --help"),
        (["--bogus", "import", "x.csv"], "See: rimebook import --help"),
        (["--bogus"], "See: rimebook --help"),
    ],
)
def test_an_option_before_its_command_is_told_where_it_stands(
    arguments: list[str], do: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A command's option in front of it is named with its place; the value behind it is no command."""
    assert main(arguments) == 2
    told = capsys.readouterr().err
    assert do in told
    assert ("Options stand after" in told) == do.startswith("Options")
