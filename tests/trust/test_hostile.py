"""Texts made to do harm: formulas, markup, SQL, paths and bombs in every place where a user's text may stand."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from pipeline.book.store import Book, create_book, open_book
from shared.errors import RimebookError

Run = Callable[..., tuple[int, str, str]]
AT = ("--today", "2026-07-01")
SQL = "'; drop table job_lines; --"
MARKUP = "<script>alert(1)</script><img src=x onerror=alert(2)>"
RICH = "[/x][bold]\x1b[31m"
FORMULAS = ('=cmd|"/c calc"!A1', "+1+1", "-2+3", "@SUM(A1)", '=HYPERLINK("http://x")', "\t=1", "'=1")
HEAD = "job_id,vehicle,date,vehicle_class,zone,pellets_lb,minutes,machine,operator,container,customer,notes,price_usd"


def _book(run: Run, tmp_path: Path, texts: list[str], toml: str = "") -> Path:
    folder = tmp_path / "shop"
    create_book(folder, toml)
    with (tmp_path / "jobs.csv").open("w", encoding="utf-8", newline="") as file:
        write = csv.writer(file)
        write.writerow(HEAD.split(","))
        for i, text in enumerate(texts):
            # A leading ' is one that an earlier export put there: import takes it off, so it is put on here.
            text = "'" + text if re.match(r"'*[=+\-@\t\r]", text) else text
            write.writerow((f"J{i}{text}" if i % 2 else f"{text} J{i}", text, "2026-03-02", "van", "interior", 20 + i,
                            40, text, text, text, text, text, 200))  # fmt: skip
    code, out, err = run("import", str(tmp_path / "jobs.csv"), "--json", *AT, "--book", str(folder))
    assert code == 0, err
    assert json.loads(out)["result"]["files"][0]["rejected"] == 0, out
    return folder


def _cells(file: Path) -> list[str]:
    with file.open(encoding="utf-8-sig", newline="") as stream:
        return [c for row in csv.reader(stream) for c in row]


def _is_formula(cell: str) -> bool:
    return bool(re.match(r"[=+\-@\t\r]", cell)) and not re.fullmatch(r"-?[\d.]+(e-?\d+)?", cell)


def test_no_formula_leaves_in_a_file(run: Run, tmp_path: Path) -> None:
    """Exports, rejects and the price list start no cell with a formula sign; exports import to the same texts."""
    folder = _book(run, tmp_path, list(FORMULAS))
    assert run("export", "--to", str(tmp_path / "out"), "--book", str(folder))[0] == 0
    cells = [c for f in (tmp_path / "out").glob("*.csv") for c in _cells(f)]
    assert len(cells) > 200
    assert [c for c in cells if _is_formula(c)] == []
    again = run("import", str(tmp_path / "out" / "jobs.csv"), "--json", *AT, "--book", str(folder))[1]
    assert json.loads(again)["result"]["files"][0]["duplicate"] == len(FORMULAS)
    bad = tmp_path / "bad.csv"
    rows = [f'"{f.replace(chr(34), "")}",2026-03-02,=van,interior,x{i},40,@x' for i, f in enumerate(FORMULAS)]
    bad.write_text("\n".join(["job_id,date,vehicle_class,zone,pellets_lb,minutes,=1+1", *rows]) + "\n")
    run("import", str(bad), "--kind", "jobs", *AT, "--book", str(folder))
    (rejects,) = tmp_path.glob("bad.csv.rejects*.csv") or [bad]
    assert [c for c in _cells(rejects) if _is_formula(c)] == []


class _Tags(HTMLParser):
    """Gathers what would run: scripts, handlers, addresses outside the page."""

    def __init__(self) -> None:
        super().__init__()
        self.bad: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            outside = name in ("src", "href") and not (value or "").startswith(("#", "data:image/"))
            if name.startswith("on") or outside:
                self.bad.append(f"{tag} {name}={value}")
        if tag in ("iframe", "object", "embed", "base", "form"):
            self.bad.append(tag)

    def error(self, message: str) -> None:
        raise AssertionError(message)


@pytest.mark.parametrize("page", ["report", "sheet", "price list"])
def test_markup_in_any_text_stays_text(run: Run, tmp_path: Path, page: str) -> None:
    """A note, code, name or address with tags is shown as written, in every page the program makes."""
    text = MARKUP.replace('"', "'")
    toml = f'[shop]\nname = "{text}"\naddress = "{text}"\n'
    toml += f'[words]\nclasses = {{"{text}" = {{like = "van", factor = 1.1}}}}\n'
    folder = _book(run, tmp_path, [f"{MARKUP}{i}" for i in range(12)] + [RICH], toml)
    place = tmp_path / "page.html"
    arguments = {
        "report": ("report", "--out", str(place), "--names"),
        "sheet": ("quote", "--vehicle", "van", "--zone", "interior", "--customer", MARKUP, "--sheet", str(place)),
        "price list": ("costing", "--price-list", str(place)),
    }[page]
    code, _, err = run(*arguments, *AT, "--book", str(folder))
    assert code == 0, err
    html = place.read_text(encoding="utf-8")
    tags = _Tags()
    tags.feed(html)
    assert tags.bad == []
    assert "<script>alert" not in html
    assert "&lt;script&gt;" in html or "&lt;img" in html


@pytest.mark.parametrize("command", ["estimate", "batches", "costing", "technique", "calibration", "learn"])
def test_signs_of_a_terminal_or_database_stay_text(run: Run, tmp_path: Path, command: str) -> None:
    """SQL, markup of the table printer and escape codes in every text change no table and raise nothing."""
    folder = _book(run, tmp_path, [SQL, '"; --', "a'b", RICH, "%s {0} {{x}} $1 ?", "\\", "x" * 5000])
    asked = ("--vehicle", "van", "--zone", "interior", "--machine", SQL, "--operator", RICH)
    code, out, err = run(command, *(asked if command == "estimate" else ()), *(() if command == "batches" else AT),
                         "--book", str(folder))  # fmt: skip
    assert code in (0, 1), err
    assert "fault" not in err.casefold(), err
    assert "\x1b" not in out
    with open_book(folder).reading() as connection:
        assert connection.execute("select count(*) from job_lines").fetchone() == (7,)


def test_sql_in_words_maps_and_sheets_is_a_word(run: Run, tmp_path: Path) -> None:
    """Book words, heads of a map, a sheet's name and a file's name reach the database as values only."""
    import openpyxl

    evil = "x'); drop table batches; --"
    folder = tmp_path / "shop"
    create_book(folder, f'[words]\nzones = {{"{evil}" = {{like = "interior", factor = 1.0}}}}\n')
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    sheet.title = "a'; drop table x--"
    sheet.append([evil, "date", "vehicle_class", "zone", "pellets_lb", "minutes"])
    sheet.append([evil, "2026-03-02", "van", evil, 9, 40])
    workbook.save(tmp_path / "a'; drop table job_lines; --.xlsx")
    (tmp_path / "map.toml").write_text(f'kind = "jobs"\n[columns]\n"{evil}" = "job_id"\n')
    code, out, err = run("import", str(tmp_path / "a'; drop table job_lines; --.xlsx"), "--columns",
                         str(tmp_path / "map.toml"), "--json", *AT, "--book", str(folder))  # fmt: skip
    assert code == 0, err
    assert json.loads(out)["result"]["files"][0]["accepted"] == 1
    with open_book(folder).reading() as connection:
        assert connection.execute("select job_id, zone from job_lines").fetchall() == [(evil, evil)]


@pytest.mark.parametrize(
    "toml",
    [
        '[shop]\nlogo = "../secret.png"', '[shop]\nlogo = "/etc/passwd"', '[shop]\ntime_zone = "../../etc/passwd"',
        "[costs]\nlabour_usd_per_hour = nan", "[costs]\nlabour_usd_per_hour = inf", "[pricing]\ntax_share = 1e308",
        "[ice]\nlot_lb = -1e308", "x = " + "[" * 5000 + "]" * 5000, "a" * 200_000 + " = 1",
        ".".join("a" * 5000) + " = 1",
        "[" + ".".join("a" * 5000) + "]", "x = " + "9" * 5000, "x = 0x" + "f" * 5000, "[shop]\nname = " + "{a=" * 3000,
        "[planning]\nspread = 1e308", "[planning]\nsoil_factor = {heavy = inf}",
    ],
    ids=lambda t: t[:30].replace("\n", " "),
)  # fmt: skip
def test_settings_made_to_harm_are_refused_in_words(tmp_path: Path, toml: str) -> None:
    """Paths out of the folder, endless nesting, giant keys and numbers that are none are told by their place."""
    create_book(tmp_path / "shop", "")
    (tmp_path / "shop" / "book.toml").write_text(toml + "\n")
    with pytest.raises(RimebookError) as raised:
        open_book(tmp_path / "shop")
    assert len(raised.value.problem.sentence()) < 3000


@pytest.mark.parametrize("depth", [500, 5000, 100_000])
def test_a_column_map_without_end_is_refused(tmp_path: Path, run: Run, depth: int) -> None:
    """Nesting in a map file is told, not run into."""
    create_book(tmp_path / "shop", "")
    (tmp_path / "jobs.csv").write_text("job_id,date\nA,2026-03-02\n")
    (tmp_path / "map.toml").write_text("[columns]\nx = " + "[" * depth + "]" * depth)
    code, _, err = run("import", str(tmp_path / "jobs.csv"), "--columns", str(tmp_path / "map.toml"), "--book",
                       str(tmp_path / "shop"))  # fmt: skip
    assert code == 1
    assert "map.toml" in err
    assert "fault" not in err.casefold()


NUMBERS = ("nan", "inf", "-inf", "1e308", "-1", "0", "1e-320")


@pytest.mark.parametrize("value", NUMBERS)
def test_numbers_that_are_none_never_reach_json(run: Run, new_book: Callable[..., Book], value: str) -> None:
    """Each numeric option takes the number or refuses it in words; what is printed is JSON, where NaN has no place."""
    folder = str(new_book().folder)
    job = ["--vehicle", "van", "--zone", "interior"]
    asked: list[list[str]] = [
        ["estimate", *job, "--level", value], ["estimate", *job, "--ice-age", value], ["quote", *job, "--price", value],
        ["estimate", *job, "--feed", value], ["quote", *job, "--count", value],
        ["forecast", "--ice-price", value], ["forecast", "--jobs-change", value], ["order", "--service", value],
        ["safety", *job, "--length-ft", value, "--width-ft", "20", "--height-ft", "12", "--air-changes", "3"],
        ["safety", *job, "--length-ft", "30", "--width-ft", "20", "--height-ft", "12", "--air-changes", value],
        ["log", "--job-id", "1", "--vehicle", "van", "--zone", f"interior={value}lb/5min"],
        ["log", "--job-id", "1", "--vehicle", "van", "--zone", "interior=5lb/5min", "--price", value],
    ]  # fmt: skip

    def refuse(constant: str) -> Any:
        raise AssertionError(f"{constant} in JSON")

    for arguments in asked:
        code, out, err = run(*arguments, "--json", *AT, "--book", folder)
        told = json.loads(out, parse_constant=refuse)
        assert ("error" in told) == bool(code), (arguments, out, err)
        assert told.get("error", {}).get("code") != "fault", (arguments, out)
