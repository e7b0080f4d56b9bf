"""Counted things agree with their number."""

from shared.counting import counted


def test_one_is_singular_and_all_else_plural():
    assert [counted(n, "past job") for n in (0, 1, 2, 1685)] == ["0 past jobs", "1 past job", "2 past jobs",
                                                               "1,685 past jobs"]  # fmt: skip
