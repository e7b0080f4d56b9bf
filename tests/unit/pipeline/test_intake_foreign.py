"""Files that are no log: what is told of pages, documents, packed files and noise, and what stays readable."""

from __future__ import annotations

import random
from pathlib import Path

import openpyxl
import pytest

from pipeline.intake.reading import open_logs
from shared.errors import Problem, RimebookError

NOISE = random.Random(1).randbytes(5000)
#: Words of the libraries underneath and of file formats' insides, which say nothing to a shop.
ODD_WORDS = ("zip file", "Error", "XML", "token", "decompress", "calamine", "Traceback", "xl/")


def guess(cells: object) -> tuple[str, float]:
    return "jobs", 1.0


def refused(path: Path, data: bytes) -> Problem:
    path.write_bytes(data)
    with pytest.raises(RimebookError) as caught:
        open_logs(path, guess=guess)
    problem = caught.value.problem
    assert problem.where == str(path)
    assert problem.expected
    assert problem.do
    assert not [w for w in ODD_WORDS if w in problem.sentence().replace(str(path), "")]
    return problem


@pytest.mark.parametrize("name", ["log.xlsx", "log.ods", "log.xls", "log.csv", "log"])
def test_noise_is_no_text_and_no_workbook_whatever_its_name(tmp_path: Path, name: str) -> None:
    """Random bytes are refused as such and never read as heads of a log."""
    problem = refused(tmp_path / name, NOISE)
    assert problem.code == "not-a-table"
    assert "neither text nor a workbook" in problem.found


@pytest.mark.parametrize(
    ("start", "found"),
    [
        (b"%PDF-1.7\n", "PDF"),
        (b"\x89PNG\r\n\x1a\n", "picture"),
        (b"\n <!DOCTYPE html><table>", "web page"),
        (b"\xef\xbb\xbf<html>", "web page"),
        (b"\x1f\x8b\x08\x00", "packed"),
    ],
)
def test_other_kinds_of_files_are_named(tmp_path: Path, start: bytes, found: str) -> None:
    """A page, a document, a picture and a packed file are named, with the way to a table."""
    problem = refused(tmp_path / "log.xlsx", start + b"rest")
    assert problem.code == "not-a-table"
    assert found in problem.found


def test_a_damaged_workbook_is_told_in_plain_words(tmp_path: Path) -> None:
    """Cut anywhere or with a garbled stretch, a workbook's error tells the same four things, in no library's words."""
    book = openpyxl.Workbook()
    for i in range(300):
        book.active.append([str(i), "van"])
    book.save(tmp_path / "sound.xlsx")
    sound = (tmp_path / "sound.xlsx").read_bytes()
    at = sound.find(b"xl/worksheets/sheet1.xml") + 200
    garbled = sound[:at] + bytes(b ^ 0x5A for b in sound[at : at + 300]) + sound[at + 300 :]
    for data in (sound[: len(sound) // 2], sound[:-10], sound[:100], garbled):
        assert refused(tmp_path / "log.xlsx", data).code == "damaged-workbook"


@pytest.mark.parametrize(
    "data",
    [
        "Дата,Авто\nпонедельник,седан\n".encode("utf-16"),
        "Дата,Авто\nпонедельник,седан\n".encode(),
        "job_id,date\r\n1,2026-01-05\r\n".encode("utf-16-le"),
        b"job_id,notes\n1,a\x00b\n2,\x07bell\n",
        b"PK,date\n1,2026-01-05\n",
    ],
)
def test_odd_texts_stay_readable(tmp_path: Path, data: bytes) -> None:
    """Wide texts, stray NULs and control characters, and a first head of PK are still texts."""
    (tmp_path / "log.csv").write_bytes(data)
    (log,) = open_logs(tmp_path / "log.csv", guess=guess)
    assert len(log.header) == 2
