"""The listener on the bus knows declared nodes only: of the others it must have heard nothing but questions."""

import re
from collections.abc import Iterator

import pytest

from listener.listener import Listener

QUESTION = re.compile(r"(echo|read_position) is for node \d+, which the machine does not have")


@pytest.fixture(autouse=True)
def only_questions_to_strangers(listeners: list[Listener]) -> Iterator[None]:
    yield
    for listener in (one for one in listeners if one.active):
        wrong = [str(found) for found in listener.violations() if not QUESTION.fullmatch(found.what)]
        if not wrong:
            listener.forgive()
