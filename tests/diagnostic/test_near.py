"""The near miss."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.diagnostic import did_you_mean, near_miss

KNOWN = ["speed", "acceleration", "jerk", "quick_stop", "beam_left", "beam_right", "Lift"]


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("speeed", "speed"),
        ("acelleration", "acceleration"),
        ("quick-stop", "quick_stop"),
        ("QUICK_STOP", "quick_stop"),
        ("lift", "Lift"),
        ("beam_rigth", "beam_right"),
        ("carriage", None),
        ("", None),
        ("x" * 100_000, None),
    ],
)
def test_the_nearest_word_is_meant(word, meant):
    assert near_miss(word, KNOWN) == meant


def test_what_is_known_is_listed_when_nothing_is_near():
    assert did_you_mean("sped", KNOWN) == "Did you mean `speed`?"
    assert did_you_mean("zzz", ["a", "b"]) == "Known here: a, b."
    assert did_you_mean("zzz", ["a", "b"], "Write one.") == "Write one."
    assert did_you_mean("zzz", []) == ""


@given(st.text(max_size=30), st.lists(st.text(min_size=1, max_size=10), max_size=8))
def test_a_near_miss_is_one_of_the_known_words(word, known):
    found = near_miss(word, known)
    assert found is None or found in known


@given(st.sampled_from(KNOWN))
def test_a_known_word_is_nearest_to_itself(word):
    assert near_miss(word, KNOWN) == word
