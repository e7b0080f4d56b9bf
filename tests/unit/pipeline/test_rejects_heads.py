"""The heads of a rejects file say by themselves what a column map or `--kind` said of the log's own."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.book.store import Book
from pipeline.intake.importing import ImportAnswer, import_files
from shared.errors import RimebookError

TODAY = date(2026, 7, 1)


def _import(book: Book, file: Path, **options: Any) -> ImportAnswer:
    return import_files(book, [file], today=TODAY, **options)


def _refused(book: Book, folder: Path, log: str, column_map: str = "", **options: Any) -> Path:
    """Import a log of which one row is faulty under a column map, mend the row, and return the rejects file."""
    file = folder / "march.csv"
    file.write_text(log, encoding="utf-8")
    if column_map:
        options["columns"] = folder / "map.toml"
        options["columns"].write_text(column_map, encoding="utf-8")
    (only,) = _import(book, file, **options).result.files
    assert (only.accepted, only.rejected) == (1, 1)
    wrong = Path(only.rejects_file or "")
    text = wrong.read_text(encoding="utf-8-sig").replace(",vna,", ",van,").replace("3 Mai,", "2026-03-03,")
    wrong.write_text(text, encoding="utf-8-sig")
    return wrong


def _heads(file: Path) -> list[str]:
    return file.read_text(encoding="utf-8-sig").splitlines()[0].split(",reject_")[0].split(",")


JOBS = ("2026-03-02,van", "2026-03-02,vna")
#: Heads of figures, their cells, the map's lines, the heads written, and what the book must hold of both jobs.
MAPS: dict[str, tuple[str, str, str, str, tuple[float | None, ...]]] = {
    "a unit": (
        "zone,Pellets,Minutes", "interior,10,90", 'Pellets = {column = "pellets_lb", unit = "kg"}',
        "zone,Pellets (kg),Minutes", (22.046226, 90, None, None),
    ),
    "a unit against the head's": (
        "zone,Ice lb,Minutes", "interior,10,90", '"Ice lb" = {column = "pellets_lb", unit = "kg"}',
        "zone,pellets (kg),Minutes", (22.046226, 90, None, None),
    ),
    "words that nobody knows": (
        "zone,Frostgut,Lohn,Dauer", "interior,10,300,1:30",
        'Frostgut = "pellets_lb"\nLohn = "price_usd"\nDauer = {column = "minutes", unit = "h:mm"}',
        "zone,pellets_lb,price_usd,time (h:mm)", (10, 90, 300, None),
    ),
    "a column that is not imported": (
        "zone,Pellets,Minutes,Dauer", "interior,10,7,90", 'Minutes = ""\nDauer = "minutes"',
        "zone,Pellets,not imported: Minutes,minutes (min)", (10, 90, None, None),
    ),
    "a line's figure that is the visit's": (
        "zone,Pellets,Minutes", "interior,10,90", 'Pellets = "job_pellets_lb"',
        "zone,job_pellets_lb,Minutes", (None, 90, None, 10),
    ),
    "columns of zones": (
        "Belly,Underside time,Suspension lb", "10,90,",
        "Belly = {column = 'pellets_lb', zone = 'undercarriage', unit = 'kg'}\n"
        "'Underside time' = {column = 'minutes', zone = 'undercarriage'}",
        "undercarriage pellets (kg),Underside time,Suspension lb", (22.046226, 90, None, None),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", MAPS)
def test_rejects_of_a_mapped_log_need_no_map(case: str, new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The mended row has the figures of its like in the book, with the map given again and without it."""
    head, cells, entries, written, wanted = MAPS[case]
    lines = [f"job_id,date,vehicle_class,{head}", *(f"J{k},{job},{cells}" for k, job in enumerate(JOBS))]
    for name, again in (("alone", {}), ("mapped", {"columns": tmp_path / "map.toml"})):
        book = new_book(name=name)
        wrong = _refused(book, tmp_path, "\n".join(lines) + "\n", f'kind = "jobs"\n[columns]\n{entries}\n')
        assert _heads(wrong)[3:] == written.split(",")
        (only,) = _import(book, wrong, **again).result.files
        assert (only.accepted, only.rejected) == (1, 0)
        with book.reading() as connection:
            found = connection.execute(
                "select pellets_lb, minutes, price_usd, job_pellets_lb from job_lines order by job_id"
            ).fetchall()
        assert found[0] == pytest.approx(wanted)
        assert found[1] == found[0]
        wrong.unlink()


def test_rejects_of_a_named_kind_are_that_kind(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """What was left in a container does not come back as ice that came."""
    book = new_book()
    log = "Date,Container,Weight\n2026-03-02,T1,300\n3 Mai,T1,250\n"
    wrong = _refused(book, tmp_path, log, kind="weighings")
    assert _import(book, wrong).result.files[0].kind == "weighings"
    with book.reading() as connection:
        assert connection.execute("select net_lb from weighings order by day").fetchall() == [(300.0,), (250.0,)]


def test_reasons_name_the_heads_that_are_written(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The column to mend is called in the reason as above its cells."""
    file = tmp_path / "march.csv"
    file.write_text("job_id,date,vehicle_class,zone,Frostgut\nJ,2026-03-02,van,interior,-8\n", encoding="utf-8")
    columns = tmp_path / "map.toml"
    columns.write_text('kind = "jobs"\n[columns]\nFrostgut = {column = "pellets_lb", unit = "kg"}\n', encoding="utf-8")
    (only,) = _import(new_book(), file, columns=columns).result.files
    assert only.reasons[0].column == "Frostgut"
    row = Path(only.rejects_file or "").read_text(encoding="utf-8-sig").splitlines()[1]
    assert ",pellets (kg),-8,negative," in row


def test_where_no_heads_say_it_the_map_is_asked_for(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A sheet with one zone's columns alone is wide by its map only: its rejects are not read without it."""
    book = new_book()
    log = "job_id,date,vehicle_class,Belly\nJ0,2026-03-02,van,10\nJ1,2026-03-02,vna,10\n"
    entries = "Belly = {column = 'pellets_lb', zone = 'undercarriage', unit = 'kg'}"
    wrong = _refused(book, tmp_path, log, f'kind = "jobs"\n[columns]\n{entries}\n')
    with pytest.raises(RimebookError) as raised:
        _import(book, wrong)
    problem = raised.value.problem
    assert problem.code == "options-left-out"
    assert problem.do.startswith(f"Import it with --columns {tmp_path / 'map.toml'}: ")
    (only,) = _import(book, wrong, columns=tmp_path / "map.toml").result.files
    assert only.accepted == 1


def test_heads_that_say_it_stay_as_they_were(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A map or kind that says no more than the heads do changes none of them."""
    log = (
        "Ticket,Date,Class,Zone,Ice (kg),Colour\nJ0,2026-03-02,van,interior,10,red\nJ1,2026-03-02,vna,interior,10,red\n"
    )
    wrong = _refused(new_book(), tmp_path, log, kind="jobs")
    assert _heads(wrong) == ["Ticket", "Date", "Class", "Zone", "Ice (kg)", "Colour"]


def test_a_shifted_first_row_hides_no_options(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """An unquoted comma shifts another text over the options: they are asked for all the same."""
    log = "job_id,date,vehicle_class,Belly\nJ0,2026-03-02,van,10\nJ1,2026-03-02,vna,10\n"
    entries = "Belly = {column = 'pellets_lb', zone = 'undercarriage', unit = 'kg'}"
    book = new_book()
    wrong = _refused(book, tmp_path, log, f'kind = "jobs"\n[columns]\n{entries}\n')
    head, row = wrong.read_text(encoding="utf-8-sig").splitlines()
    shifted = row.replace("van,10", "van,10,5")
    for rows, told in (([shifted], "the --columns or --kind that"), ([shifted, row], f"--columns {tmp_path}")):
        wrong.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8-sig")
        with pytest.raises(RimebookError) as raised:
            _import(book, wrong)
        assert raised.value.problem.code == "options-left-out"
        assert raised.value.problem.do.startswith(f"Import it with {told}")
    (only,) = _import(book, wrong, columns=tmp_path / "map.toml").result.files
    assert (only.accepted, only.rejected) == (0, 2)


def test_a_drafted_map_changes_no_head_that_says_the_same(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A drafted map names every head; only the one that was filled in needs another, with its unit."""
    log = "Ticket,Date,Vehicle class,Zone,Eis,Minutes,Charged,Operator"
    rows = "J0,2026-03-02,van,interior,10,30,100,ann\nJ1,2026-03-02,vna,interior,10,30,100,ann\n"
    file, draft = tmp_path / "april.csv", tmp_path / "draft.toml"
    file.write_text(f"{log}\n{rows}", encoding="utf-8")
    book = new_book()
    _import(book, file, dry_run=True, write_map=draft)
    drafted = draft.read_text(encoding="utf-8").replace(
        'Eis = "" # not understood', 'Eis = {column = "pellets_lb", unit = "kg"}'
    )
    wrong = _refused(book, tmp_path, f"{log}\n{rows}", drafted)
    assert _heads(wrong) == log.replace("Eis", "pellets (kg)").split(",")
    assert _import(book, wrong).result.files[0].accepted == 1


def test_a_head_without_a_unit_is_written_without_brackets(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Where a map gives a known head another meaning, words and days come under a plain spelling."""
    log = "Ticket,Zone,Class,date,area,kg\n"
    rows = "J0,2026-03-02,interior,van,red,10\nJ1,2026-03-02,interior,vna,red,10\n"
    entries = 'Zone = "date"\nClass = "zone"\ndate = "vehicle_class"\narea = ""\nkg = {column="pellets_lb", unit="kg"}'
    wrong = _refused(new_book(), tmp_path, log + rows, f'kind = "jobs"\n[columns]\n{entries}\n')
    assert "()" not in wrong.read_text(encoding="utf-8-sig")
