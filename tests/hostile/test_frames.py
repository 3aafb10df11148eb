"""Whatever comes, a decoder says what it is or that it is nothing of its own, and goes on."""

from random import Random

import pytest

from choreo.errors import RecipeError
from choreo.journal import read_journal
from choreo.link.trace import read_trace
from hostile.decoders import DECODERS
from hostile.texts import ROOT

#: Over all decoders: about 2,000 in the suite, 1,000,000 in the campaign.
SUITE, CAMPAIGN = 110, 1_000_000


def _try(decoder, first, count, folder):
    with decoder.open(folder) as take:
        for number in range(first, first + count):
            try:
                take(Random(number))
            except Exception as trouble:
                trouble.add_note(f"{decoder.name}, case {number} of those from {first}")
                raise


@pytest.mark.parametrize("decoder", DECODERS, ids=lambda decoder: decoder.name)
def test_random_frames(decoder, tmp_path):
    _try(decoder, 0, SUITE, tmp_path)


@pytest.mark.campaign
@pytest.mark.parametrize("decoder", DECODERS, ids=lambda decoder: decoder.name)
def test_a_million_random_frames(decoder, tmp_path):
    _try(decoder, SUITE, -(-CAMPAIGN // len(DECODERS)), tmp_path)


def test_a_trace_with_a_time_of_five_thousand_figures_is_refused():
    with pytest.raises(RecipeError, match=r"^bus\.log:1: .* is no line of a bus trace$"):
        list(read_trace([f"({'9' * 5000}.000001) can0 14B#12 T\n"], "bus.log"))


@pytest.mark.parametrize(("old", "new"), [('"512.5"', '"1/0"'), ('"512.5"', "1e999"), ('"node":21', '"node":1e999')])
def test_a_journal_with_numbers_that_are_none_is_refused(tmp_path, old, new):
    golden = (ROOT / "tests" / "golden" / "journal_v1.jsonl").read_text(encoding="utf-8")
    assert old in golden
    path = tmp_path / "journal.jsonl"
    path.write_text(golden.replace(old, new), encoding="utf-8")
    with pytest.raises(RecipeError, match=r"journal\.jsonl:1: the 'run' record is incomplete"):
        read_journal(path)
