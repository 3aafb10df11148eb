"""The bench for every test of plans."""

import pytest

from plan.bench import Bench


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path)
