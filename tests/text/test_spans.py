"""Spans: what a part of a tree claims as its place is where its text stands."""

from hypothesis import example, given
from hypothesis import strategies as st

from choreo.diagnostic import Refused
from choreo.text import Branch, Items, Text, compose, text_source


def parts(tree):
    """Every part of a tree, keys included."""
    yield tree
    if isinstance(tree, Branch):
        for key, value in tree.items():
            yield key
            yield from parts(value)
    elif isinstance(tree, Items):
        for value in tree:
            yield from parts(value)


def claimed(part, source):
    span = part.span
    return source.lines[span.line - 1][span.column - 1 : span.column - 1 + span.length]


def check_all(text):
    source = text_source(text, "f")
    tree = compose(source)
    for part in parts(tree):
        assert part.span.length >= 1
        piece = claimed(part, source)
        if isinstance(part, Text) and part.plain and part:
            # A plain scalar of one line stands there as it is; of several lines, its first line does.
            assert piece == part or part.startswith(piece.rstrip())
        elif isinstance(part, Text) and not part.plain:
            assert piece[0] in "'\"|>"
        elif isinstance(part, Items):
            assert piece[0] in "[-"
        elif isinstance(part, Branch):
            assert piece[0] == "{" or compose(text_source(piece + ": 1", "g")) == {next(iter(part)): "1"}
    return tree


words = st.text(st.sampled_from("abz059 .-_/%$äß漢e\u0301😀"), min_size=1, max_size=10).map(str.strip)
plain = words.filter(lambda word: word and word[0] not in "-%" and " #" not in word and word not in (".", "..."))


@st.composite
def flows(draw, depth=3):
    """Some YAML in the flow style, in odd spacing."""
    space = draw(st.sampled_from(["", " ", "  "]))
    kind = draw(st.integers(0, 3 if depth else 1))
    if kind == 0:
        return draw(plain)
    if kind == 1:
        quote = draw(st.sampled_from("'\""))
        return quote + draw(words) + quote
    inner = draw(st.lists(flows(depth=depth - 1), max_size=3))
    if kind == 2:
        return "[" + space + f"{space}, ".join(inner) + space + "]"
    keyed = [f"k{number}: {space}{value}" for number, value in enumerate(inner)]
    return "{" + space + f"{space}, ".join(keyed) + space + "}"


@given(st.lists(flows(), min_size=1, max_size=5), st.sampled_from(["\n", "\r\n", "\r"]), st.booleans())
@example(["'a''b'"], "\n", True)
@example(["漢字", "x"], "\r\n", False)
def test_every_part_stands_where_it_says(values, end, nested):
    lines = []
    for number, value in enumerate(values):
        lines += [f"key{number}:", f"  - {value}", "  -   in: x"] if nested else [f"key{number}:  {value}  # note"]
    check_all(end.join(lines))


def test_the_places_of_one_text_by_hand():
    text = "a: 600 mm\nlong:\n  - one\n  - {k:  'v w', e: }\nblock: |\n  x\n  y\nmulti: two\n  lines\nempty:\n"
    source = text_source(text, "f")
    tree = compose(source)
    spans = {str(part): (part.line, part.column, part.length) for part in parts(tree) if isinstance(part, Text)}
    assert spans["600 mm"] == (1, 4, 6)
    assert spans["one"] == (3, 5, 3)
    assert spans["v w"] == (4, 10, 5)
    assert spans["x\ny\n"] == (5, 8, 1)
    assert spans["two lines"] == (8, 8, 3)
    assert (tree.span.line, tree.span.column, tree.span.length) == (1, 1, 1)
    items = tree[Text("long")]
    assert (items.line, items.column, items.length) == (3, 3, 5)
    assert (items[1].line, items[1].column, items[1].length) == (4, 5, 16)
    missing = tree[Text("empty")]
    assert missing.missing
    assert (missing.line, missing.column) == (10, 7)


@given(st.text(max_size=120))
@example("a: |\n")
@example("a: >+\n\n\n")
@example("? ")
@example("{? }")
@example('a: "\n\n"')
@example("- - - -")
@example("%")
@example("!<")
@example("&")
@example("a: 'b\n---\n'")
@example("{:}")
@example("\\")
def test_any_text_is_a_tree_or_one_refusal_inside_the_file(text):
    any_text(text)


@given(st.text(st.sampled_from("ab:-?[]{},&*!|>'\"%@`#~ \n\t\r\\0<x"), max_size=60))
def test_any_heap_of_punctuation_is_a_tree_or_one_refusal_inside_the_file(text):
    any_text(text)


def any_text(text):
    try:
        source = text_source(text, "f")
        tree = compose(source)
    except Refused as refusal:
        (finding,) = refusal.findings
        span = finding.primary.span
        lines = refusal.lines["f"]
        assert 1 <= span.line <= len(lines)
        assert span.column >= 1
        return
    for part in parts(tree):
        assert 1 <= part.line <= len(source.lines)
        assert 1 <= part.column <= len(source.lines[part.line - 1]) + 1
