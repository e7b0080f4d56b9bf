"""Counted things agree with their number."""

from shared.counting import counted, room


def test_one_is_singular_and_all_else_plural():
    assert [counted(n, "past job") for n in (0, 1, 2, 1685)] == ["0 past jobs", "1 past job", "2 past jobs",
                                                               "1,685 past jobs"]  # fmt: skip


def test_room_on_a_disk_never_reads_as_enough_where_it_is_not() -> None:
    """Below a megabyte in kilobytes; what is free rounded down, what is needed up."""
    assert [room(n) for n in (0, 999, 1000, 999_999, 2_999_999, 1.2e9)] == [
        "0 kB", "0 kB", "1 kB", "999 kB", "2 MB", "1,200 MB",
    ]  # fmt: skip
    assert [room(n, needed=True) for n in (1, 3000, 3001, 2_000_001)] == ["1 kB", "3 kB", "4 kB", "3 MB"]
