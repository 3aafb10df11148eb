"""Tables of text on terminals of any width."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.report.table import Column, cut_to, printable, table, width_of

COLUMNS = (
    Column("step", right=False),
    Column("what", right=False, shrinks=8),
    Column("polls", keep=1),
    Column("reply", keep=2),
    Column("taken"),
)
ROWS = [("1", "a long label that can be cut", "12", "0.5", "1.250"), ("10", "short", "7", "12.5", "20.000")]


def test_with_room_everything_is_shown_and_aligned():
    assert table(COLUMNS, ROWS, 80) == [
        "step  what                          polls  reply   taken",
        "----  ----------------------------  -----  -----  ------",
        "1     a long label that can be cut     12    0.5   1.250",
        "10    short                             7   12.5  20.000",
    ]


def test_text_is_cut_short_before_a_column_is_left_out():
    assert table(COLUMNS, ROWS, 40) == [
        "step  what          polls  reply   taken",
        "----  ------------  -----  -----  ------",
        "1     a long labe…     12    0.5   1.250",
        "10    short             7   12.5  20.000",
    ]


def test_then_the_least_wanted_columns_go_and_are_named():
    lines = table(COLUMNS, ROWS, 24)
    assert lines[0] == "step  what         taken"
    assert lines[-1] == "(no room for: polls, reply)"


def test_what_must_be_kept_is_kept_on_any_terminal():
    assert table(COLUMNS, ROWS, 1)[0] == "step  what       taken"


_cells = st.text(max_size=30)


@given(st.lists(st.tuples(_cells, _cells, _cells, _cells, _cells), max_size=5), st.integers(1, 200))
def test_no_line_is_longer_than_the_terminal_unless_the_kept_columns_need_it(rows, width):
    kept = [max([len(COLUMNS[i].head), *(width_of(printable(row[i])) for row in rows)]) for i in (0, 4)]
    needed = sum(kept) + 8 + 2 * 2  # the text cut down to 8 cells, two gaps
    for line in table(COLUMNS, rows, width):
        if not line.startswith("(no room for"):
            assert width_of(line) <= max(width, needed)
        assert line.isprintable()


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", "plain"),
        ("a\x1b[2Jb", "a\\x1b[2Jb"),
        ("two\nlines", "two\\nlines"),
        ("é 棚", "é 棚"),
        ("\u202eabc", "\\u202eabc"),
    ],
)
def test_nothing_that_steers_a_terminal_gets_through(text, shown):
    assert printable(text) == shown


@pytest.mark.parametrize(("text", "cells"), [("abc", 3), ("棚板", 4), ("e\u0301", 1), ("ｗ", 2), ("", 0)])
def test_cells_of_a_terminal(text, cells):
    assert width_of(text) == cells  # Unicode Standard Annex 11: wide and fullwidth characters take two cells


@given(st.text(), st.integers(0, 40))
def test_cut_text_fits(text, width):
    assert width_of(cut_to(text, width)) <= width
