"""The composer: the tree of plain YAML, and the refusal of all that a recipe does not need."""

import random

import pytest
from ruamel.yaml import YAML

from choreo.diagnostic import Refused
from choreo.text import Branch, Items, Text, compose, text_source
from choreo.text.compose import MAX_DEPTH


def tree(text):
    return compose(text_source(text, "f.yaml"))


def refusal(text):
    with pytest.raises(Refused) as caught:
        tree(text)
    (finding,) = caught.value.findings
    return finding


def place(finding):
    return finding.primary.span.line, finding.primary.span.column


def test_a_tree_is_made_of_text_mappings_and_sequences():
    made = tree("a: 1\nb: [x, {c: 'q'}]\nd:\n  e: true\n")
    assert made == {"a": "1", "b": ["x", {"c": "q"}], "d": {"e": "true"}}
    assert type(made) is Branch
    assert type(made["b"]) is Items
    assert type(made["b"][1]["c"]) is Text
    assert type(next(iter(made))) is Text


@pytest.mark.parametrize(
    "word", ["yes", "no", "on", "off", "0x10", "012", "1_000", "1e3", "~", "null", "2001-01-01", "1:30"]
)
def test_no_word_is_taken_for_anything_but_text(word):
    value = tree(f"a: {word}")["a"]
    assert value == word
    assert value.plain


def test_quoted_and_block_scalars_are_not_plain():
    made = tree("a: 'true'\nb: \"true\"\nc: |\n  true\nd: true\ne:\n")
    assert [made[key].plain for key in "abcde"] == [False, False, False, True, True]
    assert [made[key].missing for key in "abcde"] == [False, False, False, False, True]


def test_the_same_text_has_the_same_tree_with_every_line_end():
    text = "a: 1\nb:\n  - x\n  - {c: d}\n"
    expected = tree(text)
    assert tree(text.replace("\n", "\r\n")) == expected
    assert tree(text.replace("\n", "\r")) == expected
    assert tree("\ufeff" + text) == expected


@pytest.mark.parametrize(
    ("text", "rule", "at"),
    [
        ("", "empty-file", (1, 1)),
        ("# only a comment\n", "empty-file", (1, 1)),
        ("---\n", "not-a-mapping", (2, 1)),
        ("- a\n- b\n", "not-a-mapping", (1, 1)),
        ("just words\n", "not-a-mapping", (1, 1)),
        ("[]", "not-a-mapping", (1, 1)),
        ("a: 1\n---\nb: 2\n", "several-documents", (2, 1)),
        ("a: 1\n...\n---\nb: 2\n", "several-documents", (3, 1)),
        ("a: &x 1\n", "yaml-anchor", (1, 4)),
        ("&x a: 1\n", "yaml-anchor", (1, 1)),
        ("a: &x\n  b: 1\n", "yaml-anchor", (1, 4)),
        ("a: &x [1]\n", "yaml-anchor", (1, 4)),
        ("a: 1\nb: *a\n", "yaml-alias", (2, 4)),
        ("a: [1, *a]\n", "yaml-alias", (1, 8)),
        ("*a : 1\n", "yaml-alias", (1, 1)),
        ("a: !!python/object/apply:os.system [ls]\n", "yaml-tag", (1, 4)),
        ("a: !!str 1\n", "yaml-tag", (1, 4)),
        ("a: !mine {b: 1}\n", "yaml-tag", (1, 4)),
        ("a: ! 1\n", "yaml-tag", (1, 4)),
        ("!!map {a: 1}\n", "yaml-tag", (1, 1)),
        ("!!str a: 1\n", "yaml-tag", (1, 1)),
        ("%YAML 1.1\n---\na: 1\n", "yaml-directive", (1, 1)),
        ("%TAG ! tag:example.org,2000:\n---\na: 1\n", "yaml-directive", (1, 1)),
        ("a: 1\nb: 2\na: 3\n", "duplicate-key", (3, 1)),
        ("a: {b: 1, 'b': 2}\n", "duplicate-key", (1, 11)),
        ("? [a, b]\n: 1\n", "key-not-a-name", (1, 3)),
        ("{a: 1}: 2\n", "key-not-a-name", (1, 1)),
        ("a: {b: 1\nc: 2}\n", "yaml-syntax", (2, 2)),
        ("a: [1, 2\n", "yaml-syntax", (2, 1)),
        ("\ta: 1\n", "yaml-syntax", (1, 1)),
        ("a:\n\tb: 1\n", "yaml-syntax", (2, 1)),
        ("a: 'x\n", "yaml-syntax", (2, 1)),
        ("a: b: c\n", "yaml-syntax", (1, 5)),
        ("a: @x\n", "yaml-syntax", (1, 4)),
        ('a: "\\q"\n', "yaml-syntax", (1, 5)),
        ("a: 1\n b: 2\n", "yaml-syntax", (2, 3)),
        ("a:\n  b: 1\n c: 2\n", "yaml-syntax", (3, 2)),
        ("a: 1\n... more\n", "yaml-syntax", (2, 5)),
        ('a: "\\0"\n', "forbidden-character", (1, 4)),
        ('a: "\\u202e"\n', "forbidden-character", (1, 4)),
    ],
)
def test_what_a_recipe_does_not_need_is_refused_at_its_place(text, rule, at):
    finding = refusal(text)
    assert finding.rule == rule
    assert place(finding) == at
    assert "\n" not in finding.headline


def test_a_duplicate_key_shows_the_first_one_too():
    finding = refusal("a: 1\nb: 2\na: 3\n")
    assert [(mark.span.line, mark.label) for mark in finding.others] == [(1, "first")]


def test_an_open_bracket_is_shown_where_it_opens():
    finding = refusal("a: {b: 1\nc: 2}\n")
    assert [(mark.span.line, mark.span.column) for mark in finding.others] == [(1, 4)]


def test_a_tab_is_called_a_tab():
    assert "tab" in refusal("a:\n\tb: 1\n").headline


def test_tabs_between_words_are_no_fault():
    assert tree("a:\t1\nb: x\ty # c\td\n") == {"a": "1", "b": "x\ty"}


def test_nesting_is_allowed_to_its_limit_and_no_deeper():
    def nested(depth):
        return "a: " + "[" * (depth - 1) + "]" * (depth - 1)

    assert tree(nested(MAX_DEPTH))
    finding = refusal(nested(MAX_DEPTH + 1))
    assert finding.rule == "nested-too-deep"
    assert place(finding) == (1, 3 + MAX_DEPTH)


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("x: " + "[" * 1_000_000, "nested-too-deep"),
        ("x: " + "{a: " * 500_000, "nested-too-deep"),
        ("x:\n  " + "- " * 1_000_000, "nested-too-deep"),
        ("? " * 1_000_000, "key-not-a-name"),
        ("".join(f"{' ' * level}a:\n" for level in range(1_900)), "nested-too-deep"),
    ],
    ids=["brackets", "braces", "dashes", "question marks", "indents"],
)
def test_any_number_of_levels_is_refused_at_the_limit(text, rule):
    finding = refusal(text)
    assert finding.rule == rule
    assert finding.primary.span.line <= MAX_DEPTH + 1


def test_an_alias_bomb_is_refused_at_its_first_anchor():
    bomb = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
        f"{key}: &{key} [*{before}, *{before}, *{before}, *{before}, *{before}]\n"
        for before, key in zip("abcdefgh", "bcdefghi", strict=True)
    )
    finding = refusal(bomb)
    assert finding.rule == "yaml-anchor"
    assert place(finding) == (1, 4)


def test_a_merge_key_is_an_ordinary_key():
    assert tree("<<: {a: 1}\n") == {"<<": {"a": "1"}}


def _random_value(chance, depth):
    kind = chance.random()
    if depth == 0 or kind < 0.5:
        return "".join(chance.choice("abc xyz019-_.$%/") for _ in range(chance.randint(1, 8))).strip() or "x"
    if kind < 0.75:
        return [_random_value(chance, depth - 1) for _ in range(chance.randint(0, 4))]
    return {f"k{i}": _random_value(chance, depth - 1) for i in range(chance.randint(0, 4))}


@pytest.mark.parametrize("seed", range(40))
def test_what_another_library_writes_is_read_as_it_was(seed):
    """The writer is ruamel.yaml's own (every scalar a string, so that no YAML version matters)."""
    from io import StringIO

    chance = random.Random(seed)
    value = {f"top{i}": _random_value(chance, 4) for i in range(5)}
    writer = YAML(typ="safe", pure=True)
    writer.default_flow_style = (None, True, False)[seed % 3]
    out = StringIO()
    writer.dump(value, out)
    assert tree(out.getvalue()) == value
