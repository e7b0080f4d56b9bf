"""Text files of many habits are read to the same cells; what cannot be read says why and where."""

import csv
import os
from pathlib import Path

import pytest
from log_files import faults, rows

from pipeline.intake.headers import guesser
from pipeline.intake.raw import RawLog
from pipeline.intake.reading import open_log
from pipeline.intake.words import book_words
from shared.errors import RimebookError

GUESS = guesser(book_words())
HEAD = "job_id,date,class,zone,pellets,notes"


def opened(tmp_path: Path, data: bytes | str, name: str = "log.csv", **options: str) -> RawLog:
    path = tmp_path / name
    path.write_bytes(data.encode("utf-8") if isinstance(data, str) else data)
    return open_log(path, guess=GUESS, **options)  # type: ignore[arg-type]


def lines(log: RawLog) -> list[int]:
    return [line for chunk in log.chunks() for line in chunk.lines]


def error(tmp_path: Path, data: bytes | str, name: str = "log.csv", **options: str) -> RimebookError:
    with pytest.raises(RimebookError) as caught:
        rows(opened(tmp_path, data, name, **options))
    assert caught.value.problem.do
    return caught.value


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "utf-32"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_same_cells_whatever_the_habit(tmp_path: Path, delimiter: str, encoding: str, end: str) -> None:
    """Delimiter, encoding and line ends are found, and ids keep their zeros."""
    table = [
        HEAD.split(","),
        ["007", "2026-03-14", "van", "engine bay", "45,5 lb", "Señor"],
        ["W-2", "", "", "", "", "–"],
    ]
    text = end.join(delimiter.join(f'"{c}"' if delimiter in c else c for c in row) for row in table) + end
    log = opened(tmp_path, text.encode(encoding))
    assert log.header == tuple(HEAD.split(","))
    assert log.kind == "jobs"
    assert rows(log) == table[1:]
    assert lines(log) == [2, 3]


def test_windows_1252_is_said_with_the_first_changed_cell(tmp_path: Path) -> None:
    """A file that is no UTF-8 is read as Windows-1252, and a note names line and cell."""
    log = opened(tmp_path, f"{HEAD}\n1,,,,,ok\n2,,,,,Señor\n".encode("cp1252"))
    assert rows(log)[1][-1] == "Señor"
    assert "line 3" in log.notes[0]
    assert "'Señor'" in log.notes[0]
    assert "--encoding" in log.notes[0]


def test_byte_without_a_meaning_is_a_fault_of_its_row(tmp_path: Path) -> None:
    """A byte that Windows-1252 lacks spoils its row only."""
    log = opened(tmp_path, f"{HEAD}\n1,,,,,a\n2,,,,,".encode() + b"\x81\n3,,,,,c\n")
    assert faults(log) == {3: "undecodable"}
    assert len(rows(log)) == 3


def test_bad_byte_in_a_marked_file_spoils_its_row_only(tmp_path: Path) -> None:
    """A file that starts with the mark of UTF-8 stays UTF-8; a byte that is none spoils its row and is said."""
    log = opened(tmp_path, b"\xef\xbb\xbf" + f"{HEAD}\n1,,,,,é\n2,,,,,".encode() + b"\xf1\n3,,,,,c\n")
    assert faults(log) == {3: "undecodable"}
    assert rows(log)[0][-1] == "é"
    assert "line 3" in log.notes[0]


def test_told_encoding_is_strict(tmp_path: Path) -> None:
    """With --encoding a byte that does not fit names file, line, bytes and encoding; a wrong name is refused."""
    data = f"{HEAD}\n1,,,,,a\n2,,,,,Señor\n".encode("cp1252")
    problem = error(tmp_path, data, encoding="utf-8").problem
    assert problem.code == "undecodable"
    assert "line 3" in problem.where
    assert "f1" in problem.found
    assert "utf-8" in problem.found
    assert error(tmp_path, data, encoding="utf-99").problem.code == "unknown-encoding"
    assert rows(opened(tmp_path, data, encoding="latin-1"))[1][-1] == "Señor"


def test_titles_blanks_totals_and_repeated_headers_are_set_aside(tmp_path: Path) -> None:
    """Rows that are no data are counted and told; every other row stays."""
    text = (
        "Job book 2026,,,,,\n,,,,,\n" + HEAD + "\n1,2026-03-02,van,a,40,\n2,2026-03-02,van,a,20,\n\n"
        f"March total,,,,60,\n{HEAD}\n3,2026-04-02,van,a,5,total loss\nTotal,,,,65 lb,\n  ,,,,,\nGrand total:,,,,65,\n"
    )
    log = opened(tmp_path, text)
    assert [row[0] for row in rows(log)] == ["1", "2", "3"]
    assert lines(log) == [4, 5, 9]
    assert log.header_line == 3
    assert log.set_aside == {"title": 2, "blank": 3, "totals": 3}
    assert any("line 3" in note and "Job book 2026" in note for note in log.notes)
    assert any("line 7, 10, 12" in note for note in log.notes)


def test_totals_row_without_a_word_is_known_by_its_sums(tmp_path: Path) -> None:
    """A row of figures alone is set aside only where each is the sum of its column."""
    log = opened(tmp_path, f"{HEAD}\n1,,,,40,\n2,,,,20.5,\n,,,,60.5,\n")
    assert len(rows(log)) == 2
    assert log.set_aside["totals"] == 1
    log = opened(tmp_path, f"{HEAD}\n1,,,,40,\n2,,,,20.5,\n,,,,61.5,\n")
    assert len(rows(log)) == 3


def test_a_job_called_total_is_data(tmp_path: Path) -> None:
    """A row whose first cell says total but which has words elsewhere is not set aside."""
    log = opened(tmp_path, f"{HEAD}\nTotal-1,2026-03-02,van,engine bay,40,\nTotal,2026-03-02,van,engine bay,40,\n")
    assert len(rows(log)) == 2


def test_ragged_rows(tmp_path: Path) -> None:
    """Missing trailing fields are blank and counted; surplus fields with content are a fault of their row alone."""
    log = opened(tmp_path, f"{HEAD}\n1,2026-03-02\n2,,,,,x,y\n3,,,,,x,,\n4,,,,,z\n")
    assert [row[0] for row in rows(log)] == ["1", "2", "3", "4"]
    assert all(len(row) == 6 for row in rows(log))
    assert faults(log) == {3: "too-many-fields"}
    assert log.n_padded == 1


def test_quoted_newlines_keep_line_numbers(tmp_path: Path) -> None:
    """A quoted field over several lines is one cell, and later rows still know their physical line."""
    log = opened(tmp_path, f'{HEAD}\r\n1,,,,,"a\r\nb\r\nc"\r\n2,,,,,d\r\n3,,,,,"e\nf"\n4,,,,,g')
    assert [row[-1] for row in rows(log)] == ["a\r\nb\r\nc", "d", "e\nf", "g"]
    assert lines(log) == [2, 5, 6, 8]
    small = [line for chunk in log.chunks(1) for line in chunk.lines]
    assert small == [2, 5, 6, 8]


def test_open_quote_loses_no_row_silently(tmp_path: Path) -> None:
    """A quote that never closes stops the import with its line; one that closes later spoils the rows it swallowed."""
    text = f'{HEAD}\n1,,,,,a\n2,,,,,"open\n3,,,,,b\n4,,,,,c\n'
    problem = error(tmp_path, text).problem
    assert problem.code == "open-quote"
    assert "line 3" in problem.where
    log = opened(tmp_path, f'{HEAD}\n1,,,,,"open\n2,,,,,b\n3,,,,,close"\n4,,,,,c\n')
    assert faults(log) == {2: "open-quote"}


def test_inches_written_as_quotes_are_text(tmp_path: Path) -> None:
    """A quote inside an unquoted field is a character."""
    assert rows(opened(tmp_path, f'{HEAD}\n1,,,,8",5" nozzle\n'))[0][4:] == ['8"', '5" nozzle']


def test_nul_bytes_spoil_their_row_only(tmp_path: Path) -> None:
    """Stray NUL bytes in a UTF-8 file are faults of their rows."""
    log = opened(tmp_path, f"{HEAD}\n1,,,,,a\x00b\n2,,,,,c\n")
    assert faults(log) == {2: "nul-byte"}
    assert any("NUL" in note for note in log.notes)


def test_file_that_starts_with_an_equals_sign_is_text(tmp_path: Path) -> None:
    """Nothing is calculated: a first cell such as =cmd is a title like any other."""
    log = opened(tmp_path, f'=HYPERLINK("x"),,,,,\n{HEAD}\n=1+1,,,,,\n')
    assert rows(log) == [["=1+1", "", "", "", "", ""]]


def test_sep_line_names_the_delimiter(tmp_path: Path) -> None:
    """A first line 'sep=;' is obeyed and does not count as a title."""
    log = opened(tmp_path, f"sep=;\n{HEAD.replace(',', ';')}\n1;;;;4,5;a,b,c\n")
    assert rows(log) == [["1", "", "", "", "4,5", "a,b,c"]]
    assert (log.header_line, lines(log)) == (2, [3])


def test_units_row_below_the_header(tmp_path: Path) -> None:
    """A row of units below the heads is part of the header, groups of heads included."""
    log = opened(tmp_path, "Job,Date,Class,Undercarriage,,Engine bay,\n,,,lb,min,kg,h\n1,,,4,5,6,7\n")
    zones = ("Undercarriage (lb)", "Undercarriage (min)", "Engine bay (kg)", "Engine bay (h)")
    assert log.header == ("Job", "Date", "Class", *zones)
    assert lines(log) == [3]


def test_two_hundred_columns(tmp_path: Path) -> None:
    """Columns that no log has are read and left to the matching of heads."""
    extra = [f"extra {i}" for i in range(194)]
    log = opened(tmp_path, ",".join([HEAD, *extra]) + "\n" + ",".join(["1"] * 200) + "\n")
    assert len(log.header) == 200
    assert rows(log) == [["1"] * 200]


def test_chunks_can_be_read_again(tmp_path: Path) -> None:
    """Each pass starts anew: rows, counts and notes are the same, and chunk size does not matter."""
    text = f"title,,,,,\n{HEAD}\n" + "".join(f"{i},,,,,\n" for i in range(25)) + ",,,,,\nTotal,,,,300,\n"
    log = opened(tmp_path, text)
    first, counts, notes = rows(log), dict(log.set_aside), list(log.notes)
    assert [row for chunk in log.chunks(4) for row in chunk.cells] == first
    assert (log.set_aside, log.notes) == (counts, notes)
    assert max(len(chunk.lines) for chunk in log.chunks(4)) == 4


def test_header_only(tmp_path: Path) -> None:
    """A header without rows is a log with no rows."""
    assert rows(opened(tmp_path, HEAD + "\n")) == []
    assert rows(opened(tmp_path, HEAD)) == []


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty-file"),
        (b"\n\n  \n", "empty-file"),
        (b"\xef\xbb\xbf\r\n", "empty-file"),
        (b"just one word\nand another\n", "no-delimiter"),
        (b"job_id,date,class,date\n1,2,3,4\n", "doubled-columns"),
        (b"job_id,Date,class,date \n1,2,3,4\n", "doubled-columns"),
    ],
)
def test_unreadable_files_say_why(tmp_path: Path, data: bytes, code: str) -> None:
    """Empty, undelimited and doubled files are refused with their own codes."""
    assert error(tmp_path, data).problem.code == code


def test_missing_file_folder_and_wrong_endings(tmp_path: Path) -> None:
    """A missing file, a folder, text named .xlsx, an old workbook and a sheet of a text file are told apart."""
    with pytest.raises(RimebookError) as missing:
        open_log(tmp_path / "none.csv", guess=GUESS)
    assert missing.value.problem.code == "no-such-file"
    with pytest.raises(RimebookError) as folder:
        open_log(tmp_path, guess=GUESS)
    assert folder.value.problem.code == "is-a-folder"
    assert error(tmp_path, HEAD, "log.xlsx").problem.code == "not-a-workbook"
    assert ".csv" in error(tmp_path, HEAD, "log.xlsx").problem.do
    old = bytes.fromhex("D0CF11E0A1B11AE1") + b"\x00" * 600
    assert error(tmp_path, old, "log.xlsx").problem.code == "old-or-encrypted-workbook"
    assert error(tmp_path, HEAD, sheet="Jobs").problem.code == "no-sheets"


def test_file_changed_while_read(tmp_path: Path) -> None:
    """A file that grows or is replaced between opening and the last row is refused."""
    log = opened(tmp_path, f"{HEAD}\n" + "1,,,,,\n" * 10)
    chunks = log.chunks(4)
    next(chunks)
    with log.file.open("a") as file:
        file.write("2,,,,,\n")
    with pytest.raises(RimebookError) as caught:
        list(chunks)
    assert caught.value.problem.code == "file-changed"
    log = opened(tmp_path, f"{HEAD}\n1,,,,,\n")
    os.utime(log.file, ns=(1, 1))
    with pytest.raises(RimebookError):
        rows(log)


def test_limit_on_fields_is_put_back(tmp_path: Path) -> None:
    """Reading leaves the csv module's limit as it was."""
    before = csv.field_size_limit()
    rows(opened(tmp_path, f"{HEAD}\n1,,,,,\n"))
    assert csv.field_size_limit() == before
