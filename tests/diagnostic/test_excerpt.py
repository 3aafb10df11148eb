"""A line with its mark, in cells of a terminal. Widths: Unicode Standard Annex 11 (wide takes two cells)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.diagnostic.excerpt import ROOM, beginning, cells, excerpt


@pytest.mark.parametrize(
    ("line", "column", "length", "text", "marks"),
    [
        ("speed: 5 mm/s", 8, 6, "speed: 5 mm/s", "       ^^^^^^"),
        ("a: b", 5, 1, "a: b", "    ^"),  # behind the end
        ("a: b", 99, 3, "a: b", "    ^"),  # far behind the end
        ("a: b", 4, 50, "a: b", "   ^"),  # longer than the line
        ("", 1, 1, "", "^"),
        ("\ta: b", 5, 1, "    a: b", "       ^"),  # a tab is four spaces
        ("名前: x", 5, 1, "名前: x", "      ^"),  # wide characters take two cells
        ("a: 名前", 4, 2, "a: 名前", "   ^^^^"),
        ("e\u0301: x", 5, 1, "e\u0301: x", "   ^"),  # a combining accent takes none
        ("a: \x07b", 4, 1, "a: \ufffdb", "   ^"),  # what cannot be printed is shown as such
        ("a: b   ", 1, 1, "a: b", "^"),
    ],
)
def test_the_mark_stands_under_what_it_marks(line, column, length, text, marks):
    assert excerpt(line, column, length) == (text, marks)


def test_a_long_line_is_cropped_around_the_mark():
    line = "0123456789" * 30
    shown = excerpt(line, 151, 3, room=20)
    # A third of the room (6) before the mark, the first of them the ellipsis; 3 marked; 11 after, the last an ellipsis.
    assert shown.text == "…56789" + "012" + "3456789012…"
    assert shown.marks == "      ^^^"


def test_a_long_line_is_shown_to_its_end_when_the_mark_is_there():
    shown = excerpt("x" * 290 + "0123456789", 300, 1, room=20)
    assert shown.text == "…xxxxxxxxx0123456789"
    assert shown.marks == " " * 19 + "^"


def test_a_mark_longer_than_the_room_is_cut_off_with_it():
    shown = excerpt("a" * 300, 1, 300, room=20)
    assert shown.text == "a" * 19 + "…"
    assert shown.marks == "^" * 20


def test_a_parent_line_is_cut_off_at_its_end():
    assert beginning("a" * 100) == "a" * 100
    assert beginning("a" * 101) == "a" * 99 + "…"
    assert beginning("  - move:   ") == "  - move:"


lines = st.text(st.sampled_from("ab \t漢é\x07:-"), max_size=250)


@given(lines, st.integers(1, 260), st.integers(1, 260), st.integers(12, ROOM))
def test_what_is_shown_fits_and_has_one_row_of_carets(line, column, length, room):
    shown = excerpt(line, column, length, room)
    assert len(shown.text) <= room
    assert shown.marks.strip(" ") == "^" * shown.marks.count("^")


@given(lines.filter(lambda line: len(line.replace("\t", "    ")) <= ROOM), st.data())
def test_what_stands_above_the_carets_is_what_is_marked(line, data):
    column = data.draw(st.integers(1, max(1, len(line))))
    length = data.draw(st.integers(1, max(1, len(line) - column + 1)))
    shown = excerpt(line, column, length)
    begin = shown.marks.index("^")
    above, position = "", 0
    for character in shown.text:
        above += character if begin <= position < len(shown.marks) else ""
        position += cells(character)
    marked = line[column - 1 : column - 1 + length].replace("\t", "    ").replace("\x07", "\ufffd")
    assert above == marked[: len(above)]
    assert not marked[len(above) :].strip()  # blanks at the end of a line are not shown
