"""The examples of RFC 4180 (Common Format and MIME Type for CSV Files, 2005), section 2, below a header of a log."""

from pathlib import Path

import pytest

from pipeline.intake.headers import guesser
from pipeline.intake.reading import open_log
from pipeline.intake.words import book_words

HEADER = "job_id,date,class"


@pytest.mark.parametrize(
    ("example", "records"),
    [
        pytest.param("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]], id="rule 1"),
        pytest.param("aaa,bbb,ccc\r\nzzz,yyy,xxx", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]], id="rule 2"),
        pytest.param("aaa,bbb,ccc", [["aaa", "bbb", "ccc"]], id="rule 4"),
        pytest.param('"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]], id="rule 5"),
        pytest.param(
            '"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]], id="rule 6"
        ),
        pytest.param('"aaa","b""bb","ccc"', [["aaa", 'b"bb', "ccc"]], id="rule 7"),
        pytest.param(" aaa,bbb ,ccc", [[" aaa", "bbb ", "ccc"]], id="rule 4: spaces are part of a field"),
    ],
)
def test_examples(tmp_path: Path, example: str, records: list[list[str]]) -> None:
    """Each example gives the records that the text of its rule describes."""
    path = tmp_path / "example.csv"
    path.write_bytes(f"{HEADER}\r\n{example}".encode())
    log = open_log(path, guess=guesser(book_words()))
    assert log.header == ("job_id", "date", "class")
    assert [row for chunk in log.chunks() for row in chunk.cells] == records
