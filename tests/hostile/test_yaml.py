"""
Whatever a file holds, reading it ends in what it says or in findings with their places, never in anything else.

A failure names its case; `python -m pytest tests/hostile -k yaml` makes the same ones again.
"""

import pytest

from hostile.readers import READERS
from hostile.texts import spoilt

#: Over all readers: about 300 in the suite, 100,000 in the campaign.
SUITE, CAMPAIGN = 50, 100_000


def _try(reader, first, count, folder) -> tuple[int, int]:
    taken = 0
    texts = [path.read_text(encoding="utf-8") for path in reader.texts]
    for number in range(first, first + count):
        text = texts[number % len(texts)]
        try:
            taken += reader.read(spoilt(text, number), folder)
        except Exception as trouble:
            trouble.add_note(f"{reader.name}, case {number}")
            raise
    return taken, count - taken


@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.name)
def test_a_sound_text_is_taken(reader, tmp_path):
    for path in reader.texts:
        assert reader.read(path.read_bytes(), tmp_path), path


@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.name)
def test_a_spoilt_text_is_taken_or_refused(reader, tmp_path):
    taken, refused = _try(reader, 0, SUITE, tmp_path)
    assert taken
    assert refused


@pytest.mark.campaign
@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.name)
def test_a_hundred_thousand_spoilt_texts_are_taken_or_refused(reader, tmp_path):
    _try(reader, SUITE, -(-CAMPAIGN // len(READERS)), tmp_path)


@pytest.mark.parametrize("number", range(3))
def test_a_case_is_its_number(number):
    text = READERS[0].texts[0].read_text(encoding="utf-8")
    assert spoilt(text, number) == spoilt(text, number)
    assert spoilt(text, number) != spoilt(text, number + 1)
