"""The bench for every test of the checks."""

import pytest

from checks.bench import Bench


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path)
