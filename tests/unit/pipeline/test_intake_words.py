"""Words of the trade are known in many spellings; a near miss is suggested and never taken."""

import pytest

from pipeline.intake.columns import LOGS
from pipeline.intake.texts import code_key, guard, unguard, word_key
from pipeline.intake.words import GROUPS, book_words, parse_words, spelling_file
from shared.errors import RimebookError
from shared.vocabulary import CLASSES, SOILS, ZONES

WORDS = book_words(
    zones=("roof",),
    classes=("flatbed",),
    aliases={"belly": "undercarriage", "Eis": "pellets_lb", "the lot": "full underside"},
    packages={"full underside": ("undercarriage", "wheel wells", "suspension")},
)


@pytest.mark.parametrize("zone", ["Undercarr.", "UNDER-BODY", " underside\u00a0", "belly", "undercarriage"])
def test_spellings_of_a_zone(zone: str) -> None:
    """Case, punctuation, spaces and the trade's or the shop's spellings lead to one zone."""
    assert WORDS.read("zone", zone) == "undercarriage"


def test_all_canonical_words_and_at_least_six_spellings() -> None:
    """Each canonical word and column head is known by itself and by six more spellings, each of one word only."""
    content = spelling_file()
    assert set(CLASSES) == set(content["class"])
    assert set(ZONES) == set(content["zone"])
    assert {*SOILS, "unknown"} == set(content["soil"])
    for log, columns in LOGS.items():
        assert {c.stem for c in columns} == set(content[log])
    for group, words in content.items():
        owner: dict[str, str] = {}
        for word, spellings in words.items():
            keys = {word_key(s) for s in spellings} - {word_key(word)}
            assert len(keys) >= 6, (group, word)
            for key in keys:
                assert owner.setdefault(key, word) == word, (group, key)
    for group in GROUPS:
        for word in WORDS.canonical(group):
            assert WORDS.read(group, word) == word


def test_near_miss_is_suggested_not_taken() -> None:
    """A misspelt zone is a fault that names the nearest; a far one names all that are known."""
    parsed = parse_words(["underbdy", "engin bay", "chimney", "engine bay"], "zone", WORDS)
    assert parsed.values == ["", "", "", "engine_bay"]
    assert "undercarriage" in parsed.faults[0].hint
    assert "engine_bay" in parsed.faults[1].hint
    assert "did you mean" not in parsed.faults[2].hint
    assert "roof" in parsed.faults[2].hint


def test_own_words_and_packages() -> None:
    """A book's classes, zones, aliases and packages are words like the trade's own."""
    assert WORDS.read("class", "Flatbed") == "flatbed"
    assert WORDS.read("zone", "The Lot") == "full underside"
    assert WORDS.zones_of("full underside") == ("undercarriage", "wheel_wells", "suspension")
    assert WORDS.zones_of("roof") == ("roof",)
    assert WORDS.heads == {"eis": "pellets_lb"}


def test_blank_unknown_and_ticks() -> None:
    """Blank is '', unknown soil is a word of its own, an x or a tick is yes."""
    assert parse_words(["", "unknown", "n/a", "?"], "soil", WORDS).values == ["", "unknown", "", ""]
    assert parse_words(["x", "✓", "No", "0", ""], "yes_no", WORDS).values == ["yes", "yes", "no", "no", ""]
    assert parse_words(["Canceled", "no-show"], "status", WORDS).values == ["cancelled", "no_show"]


def test_bad_aliases_and_packages_name_the_nearest() -> None:
    """An alias or package that points nowhere is refused with the nearest right word."""
    with pytest.raises(RimebookError) as alias:
        book_words(aliases={"belly": "undercarrage"})
    assert alias.value.problem.code == "unknown-alias"
    assert "undercarriage" in alias.value.problem.do
    with pytest.raises(RimebookError) as package:
        book_words(packages={"all": ("undercarriage", "wheelwels")})
    assert "wheel_wells" in package.value.problem.do


def test_words_of_two_books_do_not_mix() -> None:
    """What one book adds is not known to another."""
    assert book_words().read("zone", "belly") is None
    assert book_words().read("zone", "roof") is None


@pytest.mark.parametrize("text", ["=1+1", "+x", "-x", "@x", "\tx", "\rx", "'=x", "''-x", "'abc", "it's", "", "plain"])
def test_guard_and_unguard(text: str) -> None:
    """Taking off the guard gives the text back; only what looks like a formula gets one."""
    assert unguard(guard(text)) == text
    assert not guard(text).startswith(("=", "+", "-", "@", "\t", "\r"))


def test_codes_are_compared_trimmed_and_folded() -> None:
    """Ids keep their zeros and compare without case or outer spaces, no-break ones included."""
    assert code_key("\u00a0W-007 ") == code_key("w-007")
    assert code_key("007") != code_key("7")
