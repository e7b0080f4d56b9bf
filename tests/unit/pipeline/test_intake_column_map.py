"""A column map says which head is which; a unit in the head keeps its meaning, and a draft reads back as drafted."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from log_files import log_file

from pipeline.book.store import Book
from pipeline.intake.column_map import parse_column_map
from pipeline.intake.headers import match_headers
from pipeline.intake.importing import import_files
from pipeline.intake.words import book_words
from shared.errors import RimebookError

TODAY = date(2026, 7, 1)
WORDS = book_words()
NEEDED = ["job_id", "date", "vehicle_class", "zone"]


def _unit(log: str, head: str, entry: str, units: Any = "us") -> str:
    needed = NEEDED if log == "jobs" else []
    column_map = parse_column_map(f'kind = "{log}"\n[columns]\n"{head}" = {entry}', "map.toml")
    match = match_headers([*needed, head], log, words=WORDS, units=units, column_map=column_map)  # type: ignore[arg-type]
    return next(m.unit for m in match.columns.values() if m.head == head)


@pytest.mark.parametrize(
    ("head", "column", "unit"),
    [
        ("Ice used (kg)", "pellets_lb", "kg"),
        ("Eis kg", "pellets_lb", "kg"),
        ("Kg", "job_pellets_lb", "kg"),
        ("Zeit h", "minutes", "h"),
        ("Zeit [hh:mm]", "minutes", "h:mm"),
        ("Blast bar", "pressure_psi", "bar"),
        ("Air temp (C)", "ambient_f", "c"),
        ("Fluss (kg/min)", "feed_lb_min", "kg/min"),
        ("Abzug %", "ice_on_share", "%"),
        ("Datum (dd/mm/yyyy)", "date", "day-first"),
        ("Eis", "pellets_lb", "lb"),
        ("Ice (bags)", "pellets_lb", "lb"),
    ],
)
def test_a_unit_in_the_head_counts_where_the_map_names_none(head: str, column: str, unit: str) -> None:
    """The head of a mapped column says its unit as any other head does; without one the book's unit is taken."""
    assert _unit("jobs", head, f'"{column}"') == unit


def test_the_maps_own_unit_wins_and_a_canonical_head_keeps_its_unit() -> None:
    """What the map says of the unit is said by the user; `pellets_lb` is pounds in a metric book too."""
    assert _unit("jobs", "Ice used (kg)", '{ column = "pellets_lb", unit = "g" }') == "g"
    assert _unit("jobs", "pellets_lb", '"pellets_lb"', "metric") == "lb"
    assert _unit("jobs", "Eis", '"pellets_lb"', "metric") == "kg"
    assert _unit("deliveries", "Einkauf EUR/kg", '{ column = "weight_lb", unit = "lb" }') == "lb"


def test_a_unit_in_a_zones_head_counts_where_the_map_names_none() -> None:
    """The head of a wide sheet's column says its unit too."""
    text = '[columns]\n"Belly (kg)" = { column = "pellets_lb", zone = "undercarriage" }'
    header = [*NEEDED[:3], "Belly (kg)"]
    wide = match_headers(header, "jobs", words=WORDS, column_map=parse_column_map(text, "map.toml")).wide
    assert wide is not None
    assert wide.zones == {"undercarriage": {"pellets_lb": (3, "kg")}}


def test_another_currency_in_a_mapped_head_is_refused() -> None:
    """A map does not turn one currency into another."""
    column_map = parse_column_map('[columns]\n"Betrag EUR" = "price_usd"', "map.toml")
    with pytest.raises(RimebookError) as raised:
        match_headers([*NEEDED, "Betrag EUR"], "jobs", words=WORDS, column_map=column_map)
    assert raised.value.problem.code == "other-currency"


def test_a_row_read_by_a_map_without_units(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Kilograms, hours, bar and degrees Celsius of mapped heads are stored as pounds, minutes, psi and Fahrenheit."""
    book = new_book()
    columns = tmp_path / "map.toml"
    columns.write_text(
        'kind = "jobs"\n[columns]\n"Ice used (kg)" = "pellets_lb"\n"Zeit h" = "minutes"\n"Blast bar" = "pressure_psi"\n'
        '"Air temp (C)" = "ambient_f"\n',
        encoding="utf-8",
    )
    head = ",".join([*NEEDED, "Ice used (kg)", "Zeit h", "Blast bar", "Air temp (C)"])
    file = log_file(tmp_path, "a.csv", head, "J1,2026-03-01,suv,interior,20,1.5,6,20")
    import_files(book, [file], today=TODAY, columns=columns)
    with book.reading() as connection:
        row = connection.execute("select pellets_lb, minutes, pressure_psi, ambient_f from job_lines").fetchone()
    assert row == pytest.approx((44.0925, 90.0, 87.0226, 68.0), abs=1e-3)


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize(
    ("table", "head", "lines"),
    [
        ("job_lines", "Ticket,Date (dd/mm/yyyy),Type,Area,Dirt,Ice kg,Time [h:mm],Ice on %,Pressure (bar),Feed kg/min,"
         "Charged $,Ice age (h),Temp °C,Notes,Weather",
         ["J1,03/04/2026,suv,interior,heavy,20,1:30,60,6,1,200,24,20,x,fine"]),
        ("job_lines", "job_id,date,vehicle_class,zone,pellets_lb,minutes,pressure_psi,standoff_in,ambient_f",
         ["J1,2026-04-03,suv,interior,20,40,90,8,68"]),
        ("job_lines", "Job,Date (mm/dd/yy),Vehicle,Zone,Pelets,Time,Pressure,Setup (h),Techncian",
         ["J1,03/04/26,suv,interior,20,40,8,0.5,Bo"]),
        ("job_lines", "Job,Date,Class,Zone,Kg,hrs", ["J1,2026-04-03,suv,interior,20,1.5"]),
        ("job_lines", "Job,Date,Class,Undercarriage kg,Engine bay ice,Engine bay (h),Interior soil,Labor hours,Soil",
         ["J1,2026-04-03,suv,20,10,,,3,heavy", "J2,2026-04-03,suv,,10,0.5,,0.5,light"]),
        ("deliveries", "Date (dd/mm/yyyy),Tote,Weight kg,Price per kg,Fee", ["03/04/2026,T1,100,2.20,40"]),
        ("deliveries", "Delivered,Tote,Ice,Price ($/lb),Freight ($)", ["2026-04-03,T1,100,1.20,40"]),
        ("deliveries", "date,container,weight_lb,price_usd_per_lb,fee_usd", ["2026-04-03,T1,100,1.20,40"]),
        ("weighings", "Weighed at (dd/mm/yyyy),Tote,Left kg", ["03/04/2026 16:00,T1,100"]),
        ("bookings", "Booking,For (dd/mm/yyyy),Class,Zones,Deposit $", ["B1,03/04/2026,suv,interior,50"]),
    ],
)  # fmt: skip
def test_a_drafted_map_imports_to_the_same_rows(
    new_book: Callable[..., Book], tmp_path: Path, table: str, head: str, lines: list[str], units: str
) -> None:
    """A draft that nobody changed says what the heads say: units, prices by weight, the order of dates, totals."""
    file, draft = log_file(tmp_path, "a.csv", head, *lines), tmp_path / "map.toml"
    kind: Any = "jobs" if table == "job_lines" else table
    stored = []
    for name, options in (("plain", {"write_map": draft}), ("mapped", {"columns": draft})):
        book = new_book(name=name, toml=f'[shop]\nunits = "{units}"\n')
        result = import_files(book, [file], today=TODAY, kind=kind, **options).result.files[0]  # type: ignore[arg-type]
        assert (result.accepted, result.rejected) == (len(lines), 0)
        with book.reading() as connection:
            stored.append(connection.execute(f"select * from {table} order by all").fetchall())
    assert stored[0] == stored[1]


def test_a_job_log_in_unknown_words_is_drafted_as_one(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Not as deliveries for its one known head; the draft lists what its columns may be."""
    rows = [f"R-00{i};0{i}.03.2026;Kleinwagen{'x' * (i % 2)};Unterboden{'x' * (i % 2)};27,7;1:28" for i in range(1, 6)]
    file = log_file(tmp_path, "a.csv", "Auftrag;Datum;Fahrzeugklasse;Bereich;Pellets (kg);Arbeitszeit", *rows)
    draft = tmp_path / "map.toml"
    with pytest.raises(RimebookError, match="which a jobs log needs"):
        import_files(new_book(), [file], today=TODAY, write_map=draft, dry_run=True)
    text = draft.read_text(encoding="utf-8")
    assert 'kind = "jobs"' in text
    assert "# A jobs log may have: job_id (needed), vehicle, date (needed)" in text
    ice = log_file(tmp_path, "ice.csv", "Tag;Pellets (kg);Firma", *(f"0{i}.03.2026;90;Eis{i}" for i in range(1, 6)))
    with pytest.raises(RimebookError, match="which a deliveries log needs"):
        import_files(new_book(name="other"), [ice], today=TODAY)
