"""The big letters."""

import string

import pytest

from choreo.cli.screen.letters import HEIGHT, big, width_in_big

CHARACTERS = string.ascii_uppercase + string.digits + "-_. "


@pytest.mark.parametrize("char", CHARACTERS)
def test_each_is_as_high_as_the_others_and_of_one_width(char):
    rows = big(char)
    assert len(rows) == HEIGHT
    assert {len(row) for row in rows} == {width_in_big(char)}
    assert set("".join(rows)) <= {"█", " "}


def test_no_two_look_alike():
    drawn = {char: tuple(big(char)) for char in CHARACTERS}
    assert len(set(drawn.values())) == len(CHARACTERS)


def test_a_word_stands_as_it_is_read():
    assert big("it") == ["███ █████", " █    █  ", " █    █  ", " █    █  ", "███   █  "]
    assert big("I", 2) == ["██████", "██████", *["  ██  "] * 6, "██████", "██████"]
    assert width_in_big("it") == 9


def test_a_character_without_a_big_letter_is_said():
    assert width_in_big("é") is None
    assert width_in_big("") == 0
    with pytest.raises(ValueError, match="no big letter"):
        big("é")
