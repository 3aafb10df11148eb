"""
Random recipes with random faults: 500 in the suite, 100,000 as a campaign.

    python -m tests.campaigns recipes
"""

from collections import Counter

import pytest

from choreo.errors import Exit

from . import recipes
from .author import Author

FEW, MANY = 500, 100_000


def judged(count: int) -> Counter[str]:
    endings: Counter[str] = Counter()
    wrong = []
    for number, result, found in recipes.run(count, jobs=2):
        if found:
            wrong.append(f"recipe {number}: {'; '.join(found)}")
        if result is not None:
            endings["refused" if result.facts is None else str(result.facts.ending.exit)] += 1
    assert not wrong, f"{len(wrong)} of {count}:\n" + "\n".join(wrong[:30])
    return endings


def test_the_same_seed_writes_the_same_recipe():
    assert Author(7).write() == Author(7).write()
    assert Author(7).write() != Author(8).write()


def test_random_recipes_with_random_faults():
    endings = judged(FEW)
    assert sum(endings.values()) == FEW
    # Enough of each kind for the test to mean anything.
    assert endings[str(int(Exit.DONE))] > FEW / 5
    assert endings[str(int(Exit.STOPPED))] > FEW / 5
    assert endings["refused"] > FEW / 50


def test_all_verbs_are_written():
    text = "".join(Author(number).write().text for number in range(200))
    verbs = (
        "link_check", "configure", "enable", "disable", "home", "preload", "trigger", "wait_for_position", "move",
        "dwell", "expect", "repeat", "confirm", "for_each", "record", "when",
    )  # fmt: skip
    assert [verb for verb in verbs if f"- {verb}:" not in text] == []


@pytest.mark.campaign
def test_a_hundred_thousand_random_recipes_with_random_faults():
    judged(MANY)
