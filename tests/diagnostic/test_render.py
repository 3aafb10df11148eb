"""Renderings of findings. Expected texts are written by hand from the layout rules in `choreo/diagnostic/render.py`."""

import json

from hypothesis import given
from hypothesis import strategies as st

from choreo.diagnostic import Finding, Level, Mark, Refused, Span
from choreo.diagnostic.order import by_position
from choreo.diagnostic.render import as_data, full_text, json_text, one_line

PICK = [
    "choreo: 1",
    "limits:",
    "  lift: {speed: 150 mm/s, acceleration: 1 m/s^2}",
    "steps:",
    "  # up",
    "  - move:",
    "",
    "      lift: {to: 420 mm, speed: 180 mm/s}",
]

TOO_FAST = Finding(
    "speed-limit",
    "lift would move at 180 mm/s, above its limit of 150 mm/s",
    Mark(Span("pick.yaml", 8, 33, 8), "30 mm/s too fast"),
    (Mark(Span("pick.yaml", 3, 17, 8), "the limit"),),
    help="Lower the speed to 150 mm/s, or raise the limit if the drive and the machine allow it.",
)


def test_the_full_text_shows_both_halves_of_the_conflict_and_what_to_do():
    assert full_text([TOO_FAST], {"pick.yaml": PICK}) == (
        "pick.yaml:8:33  lift would move at 180 mm/s, above its limit of 150 mm/s   (speed-limit)\n"
        "     6 |   - move:\n"
        "     8 |       lift: {to: 420 mm, speed: 180 mm/s}\n"
        "       |                                 ^^^^^^^^ 30 mm/s too fast\n"
        "     3 |   lift: {speed: 150 mm/s, acceleration: 1 m/s^2}\n"
        "       |                 ^^^^^^^^ the limit\n"
        "  Lower the speed to 150 mm/s, or raise the limit if the drive and the machine allow it.\n"
    )


def test_one_line_is_complete_on_its_own():
    assert one_line(TOO_FAST) == (
        "pick.yaml:8:33: error: lift would move at 180 mm/s, above its limit of 150 mm/s (speed-limit)"
    )


def test_a_mark_in_another_file_is_announced_by_its_name():
    finding = Finding(
        "limit-widened",
        "`speed` 5 mm/s is above the machine's limit of 4 mm/s",
        Mark(Span("recipe.yaml", 1, 8, 6)),
        (Mark(Span("machine.yaml", 2, 3, 6), "the machine's limit"), Mark(Span("recipe.yaml", 1, 1, 5), "here")),
    )
    lines = {"recipe.yaml": ["speed: 5 mm/s"], "machine.yaml": ["x:", "  4 mm/s"]}
    assert full_text([finding], lines) == (
        "recipe.yaml:1:8  `speed` 5 mm/s is above the machine's limit of 4 mm/s   (limit-widened)\n"
        "     1 | speed: 5 mm/s\n"
        "       |        ^^^^^^\n"
        "  in machine.yaml:\n"
        "     2 |   4 mm/s\n"
        "       |   ^^^^^^ the machine's limit\n"
        "  in recipe.yaml:\n"
        "     1 | speed: 5 mm/s\n"
        "       | ^^^^^ here\n"
    )


def test_two_marks_on_one_line_share_the_line():
    finding = Finding("r", "h", Mark(Span("f", 1, 4, 1), "second"), (Mark(Span("f", 1, 1, 1), "first"),))
    assert full_text([finding], {"f": ["a: a"]}) == (
        "f:1:4  h   (r)\n     1 | a: a\n       |    ^ second\n       | ^ first\n"
    )


def test_two_marks_far_apart_on_a_long_line_show_it_twice():
    finding = Finding("r", "h", Mark(Span("f", 1, 201, 1)), (Mark(Span("f", 1, 1, 1)),))
    text = full_text([finding], {"f": ["a" + "-" * 199 + "z"]})
    # The room is 100 characters: first the end of the line behind an ellipsis, then its beginning before one.
    assert text == (
        f"f:1:201  h   (r)\n     1 | …{'-' * 98}z\n       | {' ' * 99}^\n     1 | a{'-' * 98}…\n       | ^\n"
    )


def test_a_warning_says_so_and_a_note_follows_the_help():
    finding = Finding("r", "h", Mark(Span("f", 1, 1, 1)), help="Do this.", note="Because of that.", level=Level.WARNING)
    assert full_text([finding], {"f": ["a"]}) == (
        "f:1:1  warning: h   (r)\n     1 | a\n       | ^\n  Do this.\n  Note: Because of that.\n"
    )
    assert one_line(finding) == "f:1:1: warning: h (r)"


def test_a_finding_without_a_place_or_without_lines_is_still_said():
    assert full_text([Finding("r", "no file", help="Name one.")], {}) == "no file   (r)\n  Name one.\n"
    away = Finding("r", "h", Mark(Span("f", 9, 2)), (Mark(Span("g", 3, 4), "there"),))
    assert full_text([away], {"f": ["a"]}) == "f:9:2  h   (r)\n  in g:\n  g:3:4  there\n"


def test_findings_come_by_position_and_an_empty_line_is_between_two():
    late, early = Finding("r", "late", Mark(Span("f", 2, 1))), Finding("r", "early", Mark(Span("f", 1, 3)))
    text = full_text([late, early], {"f": ["a b", "c"]})
    assert text == ("f:1:3  early   (r)\n     1 | a b\n       |   ^\n\nf:2:1  late   (r)\n     2 | c\n       | ^\n")


def test_what_is_found_twice_is_said_once():
    assert len(by_position([TOO_FAST, TOO_FAST])) == 1
    other = Finding("speed-limit", "another headline", TOO_FAST.primary)
    assert len(by_position([TOO_FAST, other])) == 2


def test_json_has_the_same_value():
    assert json.loads(json_text([TOO_FAST])) == [
        {
            "rule": "speed-limit",
            "level": "error",
            "headline": "lift would move at 180 mm/s, above its limit of 150 mm/s",
            "place": {"file": "pick.yaml", "line": 8, "column": 33, "length": 8, "label": "30 mm/s too fast"},
            "others": [{"file": "pick.yaml", "line": 3, "column": 17, "length": 8, "label": "the limit"}],
            "help": "Lower the speed to 150 mm/s, or raise the limit if the drive and the machine allow it.",
            "note": "",
        }
    ]
    assert as_data(Finding("r", "h"))["place"] is None


def test_a_refusal_counts_errors_and_names_the_first():
    warning = Finding("w", "careful", Mark(Span("f", 1, 1)), level=Level.WARNING)
    second = Finding("b", "second", Mark(Span("f", 3, 1)))
    first = Finding("a", "first", Mark(Span("f", 2, 1)), help="Do.")
    refusal = Refused([second, first, warning])
    assert str(refusal) == "f:2:1: first (and 1 more)"
    assert (refusal.rule, refusal.help, int(refusal.exit)) == ("a", "Do.", 2)
    assert [finding.rule for finding in refusal.findings] == ["w", "a", "b"]


spans = st.builds(Span, st.sampled_from(["f", "g"]), st.integers(1, 6), st.integers(1, 40), st.integers(1, 30))
findings = st.builds(
    Finding,
    st.sampled_from(["a", "b"]),
    st.text(st.characters(categories=["L", "N"]), max_size=8),
    st.none() | st.builds(Mark, spans, st.text(st.characters(categories=["L"]), max_size=5)),
    st.lists(st.builds(Mark, spans), max_size=2).map(tuple),
)


@given(
    st.lists(findings, max_size=6),
    st.lists(st.text(st.characters(exclude_characters="\n\r")), max_size=5),
    st.randoms(),
)
def test_any_findings_are_rendered_the_same_in_any_order(found, lines, chance):
    text = full_text(found, {"f": lines})
    for finding in found:
        assert finding.headline in text
    # Only the order of files is that in which they appear: within one file the order of findings cannot matter.
    alone = [finding for finding in found if finding.primary is None or finding.primary.span.file == "f"]
    shuffled = list(alone)
    chance.shuffle(shuffled)
    key = [(f.rule, f.headline, f.primary) for f in by_position(alone)]
    assert key == [(f.rule, f.headline, f.primary) for f in by_position(shuffled)]
