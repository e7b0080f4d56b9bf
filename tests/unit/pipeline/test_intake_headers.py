"""Heads are matched by spelling, unit, map or close spelling, and what was not letter by letter is told."""

import pytest

from pipeline.intake.column_map import draft_map, parse_column_map
from pipeline.intake.columns import LOGS
from pipeline.intake.headers import guesser, match_headers, require
from pipeline.intake.heads import HeadTable
from pipeline.intake.raw import RawChunk
from pipeline.intake.wide import unpivot
from pipeline.intake.words import book_words
from shared.errors import RimebookError

WORDS = book_words(aliases={"Eis": "pellets_lb"})
GUESS = guesser(WORDS)
NEEDED = ["job_id", "date", "class", "zone"]


@pytest.mark.parametrize("log", list(LOGS))
def test_canonical_heads(log: str) -> None:
    """The canonical heads are matched one to one, with their units, and tell the log."""
    header = [c.name for c in LOGS[log]]
    match = match_headers(header, log, words=WORDS, units="metric")
    assert [match.columns[name].index for name in header] == list(range(len(header)))
    assert {name: m.unit for name, m in match.columns.items()} == {c.name: c.unit for c in LOGS[log]}
    assert match.unmatched == match.missing == match.notes == ()
    assert GUESS(header)[0] == log


@pytest.mark.parametrize(
    ("head", "column", "unit"),
    [
        ("Pellets (kg)", "pellets_lb", "kg"),
        ("PELLETS_KG", "pellets_lb", "kg"),
        ("Ice used [lbs]", "pellets_lb", "lb"),
        ("Ice (#)", "pellets_lb", "lb"),
        ("lbs of ice", "pellets_lb", "lb"),
        ("Pellets used (in kg)", "pellets_lb", "kg"),
        ("Eis (kg)", "pellets_lb", "kg"),
        ("Pellets (used)", "pellets_lb", ""),
        ("time_h", "minutes", "h"),
        ("Labor hours", "minutes", "h"),
        ("minutes [hh:mm]", "minutes", "min"),
        ("Time [hh:mm]", "minutes", "h:mm"),
        ("Total time (h)", "job_minutes", "h"),
        ("total lbs", "job_pellets_lb", "lb"),
        ("Total kg", "job_pellets_lb", "kg"),
        ("Setup hrs", "setup_min", "h"),
        ("Ice on %", "ice_on_share", "%"),
        ("Pressure - bar", "pressure_psi", "bar"),
        ("Standoff cm", "standoff_in", "cm"),
        ("Temp °C", "ambient_f", "c"),
        ("feed kg/min", "feed_lb_min", "kg/min"),
        ("Ice rate (lb per min)", "feed_lb_min", "lb/min"),
        ("Price, $", "price_usd", ""),
        ("Outside temp (F)", "ambient_f", "f"),
        ("Date (dd/mm/yyyy)", "date", "day-first"),
        ("Date (MM/DD/YY)", "date", "month-first"),
        ("Soil (1-4)", "soil_level", ""),
        ("Coating removed?", "coating_removed", ""),
        ("Ticket\u00a0#:", "job_id", ""),
    ],
)
def test_heads_with_units(head: str, column: str, unit: str) -> None:
    """A head's spelling and the unit in it are told apart, brackets or not."""
    meaning = HeadTable("jobs", WORDS).read(head)
    assert meaning is not None
    assert (meaning.column.name, meaning.unit) == (column, unit)


def test_price_of_ice_names_currency_and_unit_apart() -> None:
    """'Price per lb ($)' and its like are a price of ice with both its parts; a plain '($)' is one per book unit."""
    table = HeadTable("deliveries", WORDS)
    for head, unit in (
        ("Price per lb ($)", "/lb"),
        ("Price ($/kg)", "/kg"),
        ("price_usd_per_kg", "/kg"),
        ("Price ($)", ""),
    ):
        meaning = table.read(head)
        assert meaning is not None
        assert (meaning.column.name, meaning.unit) == ("price_usd_per_lb", unit)


@pytest.mark.parametrize(
    "head", ["Pellets (psi)", "Ice (bags)", "Minutes (kg)", "Customer weight (lb)", "Weather", "x"]
)
def test_heads_that_do_not_fit(head: str) -> None:
    """A unit that the column cannot have, or an unknown word before the unit, is no match."""
    assert HeadTable("jobs", WORDS).read(head) is None


def test_bare_heads_take_the_books_unit() -> None:
    """Without a unit in the head, bare numbers are in the book's units; minutes are minutes in either."""
    header = [*NEEDED, "pellets", "time", "pressure", "temp"]
    metric = match_headers(header, "jobs", words=WORDS, units="metric").columns
    assert [metric[n].unit for n in ("pellets_lb", "minutes", "pressure_psi", "ambient_f")] == ["kg", "min", "bar", "c"]
    us = match_headers(header, "jobs", words=WORDS).columns
    assert [us[n].unit for n in ("pellets_lb", "minutes", "pressure_psi", "ambient_f")] == ["lb", "min", "psi", "f"]


def test_vehicle_alone_is_the_class_and_said() -> None:
    """'Vehicle' is the plate beside a class column, and the class, with a note, where there is none."""
    alone = match_headers(["job", "date", "Vehicle", "zone"], "jobs", words=WORDS)
    assert alone.columns["vehicle_class"].head == "Vehicle"
    assert "vehicle_class" in alone.notes[0]
    both = match_headers(["job", "date", "Vehicle", "Type", "zone"], "jobs", words=WORDS)
    assert both.columns["vehicle"].head == "Vehicle"
    assert both.columns["vehicle_class"].head == "Type"


def test_close_spelling_is_taken_with_a_note_and_never_between_two() -> None:
    """A typo is read and told; a head that is near to two columns is left alone."""
    match = match_headers([*NEEDED, "Techncian", "Pelets"], "jobs", words=WORDS)
    assert match.columns["operator"].head == "Techncian"
    assert match.columns["pellets_lb"].head == "Pelets"
    assert len(match.notes) == 2
    torn = match_headers([*NEEDED, "setup clean"], "jobs", words=WORDS)
    assert torn.unmatched == ("setup clean",)
    assert {"setup_min", "cleanup_min"}.isdisjoint(torn.columns)


def test_doubled_columns_name_both() -> None:
    """Two heads for one column are refused with both names; the canonical head wins over a spelling, and is told."""
    with pytest.raises(RimebookError) as doubled:
        match_headers([*NEEDED, "Ice used", "Dry ice"], "jobs", words=WORDS)
    assert doubled.value.problem.code == "doubled-columns"
    assert "'Ice used' (column 5)" in doubled.value.problem.found
    assert "'Dry ice' (column 6)" in doubled.value.problem.found
    match = match_headers([*NEEDED, "Ice used", "pellets_lb"], "jobs", words=WORDS)
    assert match.columns["pellets_lb"].index == 5
    assert match.unmatched == ("Ice used",)
    assert "both mean pellets_lb" in match.notes[0]


def test_missing_columns_name_the_nearest_heads() -> None:
    """A log without a needed column is refused with what it lacks and what it has instead."""
    match = match_headers(["Ticket", "date", "zone", "Clss of thing"], "jobs", words=WORDS)
    assert match.missing == ("vehicle_class",)
    with pytest.raises(RimebookError) as error:
        require(match, "log.csv")
    assert "vehicle_class" in error.value.problem.expected
    assert "'Clss of thing'" in error.value.problem.found


def test_other_currency_in_a_head_is_refused() -> None:
    """A price in another currency than the book's is refused; in the book's own it is read."""
    with pytest.raises(RimebookError) as error:
        match_headers([*NEEDED, "Price (EUR)"], "jobs", words=WORDS)
    assert error.value.problem.code == "other-currency"
    assert "price_usd" in match_headers([*NEEDED, "Price (EUR)"], "jobs", words=WORDS, currency="EUR").columns
    assert "price_usd" in match_headers([*NEEDED, "price_usd"], "jobs", words=WORDS, currency="EUR").columns


@pytest.mark.parametrize(
    ("header", "log"),
    [
        (["Ticket", "Plate", "Date", "Vehicle type", "Area", "Dirt", "Ice (lbs)", "Time"], "jobs"),
        (["Date", "Tote", "Pellets", "Price per lb", "Fee"], "deliveries"),
        (["Date", "Tote", "Left"], "weighings"),
        (["When", "Tote", "Net weight (lb)", "By"], "weighings"),
        (["Appointment", "Booked on", "For", "Vehicle", "Zone", "Status"], "bookings"),
        (["id", "date", "class", "zone", "soil"], ""),
        (["x", "y"], ""),
    ],
)
def test_kind_is_guessed_or_left_open(header: list[str], log: str) -> None:
    """The heads tell the log where one fits best, and nothing where two fit alike or none does."""
    assert GUESS(header)[0] == log


def test_named_kind_is_the_only_candidate() -> None:
    """Where the user names the kind, an undecided header is that."""
    assert guesser(WORDS, kind="bookings")(["id", "date", "class", "zone", "soil"])[0] == "bookings"


def test_reject_columns_are_dropped() -> None:
    """The columns that a rejects file adds are neither matched nor listed as unknown."""
    header = [*NEEDED, "reject_file", "reject_sheet", "reject_line", "reject_column", "reject_value", "reject_code"]
    match = match_headers(header, "jobs", words=WORDS)
    assert match.unmatched == ()
    assert len(match.columns) == 4


def test_wide_sheet_becomes_lines() -> None:
    """Columns for each zone become one row a zone worked; blanks and zeros were not worked; units stay right."""
    header = [
        "Job",
        "Date",
        "Class",
        "Undercarriage lb",
        "Undercarriage min",
        "Engine bay - pellets (kg)",
        "Engine bay (h)",
    ]
    match = match_headers(header, "jobs", words=WORDS)
    assert match.missing == ()
    assert match.wide is not None
    chunk = RawChunk(
        [2, 3, 4],
        [
            ["J1", "2026-03-02", "van", "40", "55", "10", "0.5"],
            ["J2", "2026-03-02", "suv", "", "0", "12 lb", "1:15"],
            ["J3", "2026-03-02", "suv", "", "", "", ""],
        ],
    )
    lines = unpivot(chunk, match.wide)
    assert match.wide.header == ("Job", "Date", "Class", "zone", "pellets_lb", "minutes")
    assert lines.cells == [
        ["J1", "2026-03-02", "van", "undercarriage", "40", "55"],
        ["J1", "2026-03-02", "van", "engine_bay", "10 kg", "0.5 h"],
        ["J2", "2026-03-02", "suv", "engine_bay", "12 lb", "1:15"],
        ["J3", "2026-03-02", "suv", "", "", ""],
    ]
    assert lines.lines == [2, 2, 3, 4]
    assert lines.source == [0, 0, 1, 2]
    assert match.wide.match is not None
    assert match.wide.match.columns["pellets_lb"].unit == "lb"
    assert "one line per zone" in match.notes[-1]


def test_a_lone_head_with_a_zone_word_is_no_wide_sheet() -> None:
    """'Engine hours' beside a zone column, or alone, is not a zone's time."""
    assert match_headers([*NEEDED, "Engine hours"], "jobs", words=WORDS).wide is None
    assert match_headers([*NEEDED[:3], "Engine hours"], "jobs", words=WORDS).wide is None


def test_column_map_decides_and_draft_reads_back() -> None:
    """A map wins over spelling, can set a unit, ignore a head or place a zone; its draft parses to the same."""
    text = """
    kind = "jobs"
    [columns]
    "Nr" = "job_id"
    "When done" = "date"
    "What" = "vehicle_class"
    "Belly" = { column = "pellets_lb", zone = "undercarriage", unit = "kilos" }
    "Pellets" = ""
    """
    column_map = parse_column_map(text, "map.toml")
    header = ["Nr", "When done", "What", "Belly", "Pellets", "Odd"]
    match = match_headers(header, "jobs", words=WORDS, column_map=column_map)
    assert match.unmatched == ("Odd",)
    assert match.missing == ()
    assert match.wide is not None
    assert match.wide.zones == {"undercarriage": {"pellets_lb": (3, "kg")}}
    assert guesser(WORDS, column_map)(header)[0] == "jobs"
    again = parse_column_map(draft_map(header, match), "draft")
    assert again.kind == "jobs"
    assert match_headers(header, "jobs", words=WORDS, column_map=again).columns == match.columns


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("columns = 3", "no [columns]"),
        ("[columns]\nNr = job_id", "line 2"),
        ('[columns]\nNr = "jobid"', "'jobid'"),
        ('kind = "job"\n[columns]\nNr = "job_id"', "'job'"),
        ('[columns]\nNr = { column = "pellets_lb", unit = "psi" }', "'psi'"),
        ('[columns]\nNr = { column = "pellets_lb", units = "kg" }', "'units'"),
        ('[colums]\nNr = "job_id"', "'colums'"),
    ],
)
def test_bad_maps_say_what_is_wrong(text: str, said: str) -> None:
    """A map with an unknown key, column, unit or kind is refused, and the message quotes it."""
    with pytest.raises(RimebookError) as error:
        parse_column_map(text, "map.toml")
    assert error.value.problem.code == "bad-column-map"
    assert said in error.value.problem.found


@pytest.mark.parametrize(
    ("log", "head", "column", "unit"),
    [
        ("jobs", "Kg", "pellets_lb", "kg"),
        ("jobs", "KG", "pellets_lb", "kg"),
        ("jobs", "lbs used", "pellets_lb", "lb"),
        ("jobs", "Weight (kg)", "pellets_lb", "kg"),
        ("jobs", "Hrs", "minutes", "h"),
        ("deliveries", "Kg", "weight_lb", "kg"),
        ("weighings", "lbs", "net_lb", "lb"),
    ],
)
def test_a_unit_alone_is_the_figure_it_can_only_mean(log: str, head: str, column: str, unit: str) -> None:
    """A head that is only a unit is read as the log's one figure of that kind, and told."""
    match = match_headers([*NEEDED, head], log, words=WORDS)
    assert (match.columns[column].head, match.columns[column].unit) == (head, unit)
    assert any(f"{head!r} is read as {column}, in {unit}" in note for note in match.notes)


@pytest.mark.parametrize("heads", [["#"], ["m"], ["Kg", "lb"], ["Kg", "Pellets"], ["Kg", "Total ice"], ["Kg left"]])
def test_a_unit_alone_that_could_mean_more_is_left(heads: list[str]) -> None:
    """A sign, two units, or a unit beside a head that names the pellets stay unread and are listed."""
    match = match_headers([*NEEDED, *heads], "jobs", words=WORDS)
    assert heads[0] in match.unmatched
    assert not any("is read as pellets_lb" in note for note in match.notes)


def test_how_bare_figures_are_read_is_told() -> None:
    """A head without a unit is told with the unit its figures get; one with a unit, and canonical heads, are not."""
    match = match_headers([*NEEDED, "Ice", "Time", "Setup (h)"], "jobs", words=WORDS, units="metric")
    assert [n for n in match.notes if "without a unit" in n] == [
        "figures without a unit are read as kg under 'Ice'; as min under 'Time'. Another unit goes into the head, like "
        "'Time (h)' or 'Ice (kg)'"
    ]
    assert match_headers([*NEEDED, "pellets_lb", "Time (h)"], "jobs", words=WORDS).notes == ()
    wide = match_headers(
        ["job_id", "date", "vehicle_class", "Interior ice", "Interior time (h)", "Engine bay ice"], "jobs", words=WORDS
    )
    assert any("as lb under 'Interior ice', 'Engine bay ice'." in note for note in wide.notes)


@pytest.mark.parametrize("head", ["Preis", "Time-in", "Nozzle", "Passed"])
def test_a_head_that_is_only_like_a_figures_is_not_read_as_one(head: str) -> None:
    """A price in another tongue, a clock time, a part and a remark end in no column of figures."""
    match = match_headers([*NEEDED, head], "jobs", words=WORDS)
    assert head in match.unmatched
    assert not any(f"{head!r} is read as" in note for note in match.notes)


@pytest.mark.parametrize(
    ("log", "head", "column"),
    [("jobs", "Timer", "minutes"), ("jobs", "Time 2", "minutes"), ("jobs", "Set up time in", "setup_min"),
     ("deliveries", "Weight in", "weight_lb"), ("deliveries", "In weight", "weight_lb")],
)  # fmt: skip
def test_a_figures_head_with_more_to_it_is_asked_about(log: str, head: str, column: str) -> None:
    """A known head with other letters before or after it is another word: it is not read, and its near one is named."""
    match = match_headers([*NEEDED, head], log, words=WORDS)
    assert column not in match.columns
    assert f"{head!r} is not read; if it is {column}, say so in a column map" in match.notes


@pytest.mark.parametrize(
    ("head", "column"), [("Pelets", "pellets_lb"), ("Minuts", "minutes"), ("Presure", "pressure_psi"),
                         ("Cleanup tme", "cleanup_min"), ("Oprator", "operator"), ("Pressures", "pressure_psi"),
                         ("Minutess", "minutes"), ("PPrice", "price_usd")],
)  # fmt: skip
def test_a_misspelt_head_is_read_and_told(head: str, column: str) -> None:
    """Letters lost or turned round do not cost a column."""
    match = match_headers([*NEEDED, head], "jobs", words=WORDS)
    assert match.columns[column].head == head
    assert any(f"{head!r} is read as {column} (close spelling" in note for note in match.notes)
