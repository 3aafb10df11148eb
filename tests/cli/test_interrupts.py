"""What a signal does in the course of a run on a real bus."""

import signal

import pytest

from choreo.cli.interrupts import DuringRun
from choreo.link.port import Interrupt


class Link:
    def __init__(self):
        self.posted = []

    def post(self, event):
        self.posted.append(event)


def test_before_the_session_it_ends_the_command():
    with pytest.raises(KeyboardInterrupt):
        DuringRun()(signal.SIGTERM, None)


def test_from_the_session_on_it_breaks_nothing_off_until_how_it_ended_was_shown():
    now_s, link = 100.0, Link()
    signals = DuringRun(lambda: now_s)
    signals.handed_to(link)
    signals(signal.SIGINT, None)
    assert link.posted == [Interrupt("Ctrl-C")]
    signals.shows()
    signals(signal.SIGINT, None)
    assert len(link.posted) == 1
    now_s += DuringRun.SHOWING_S
    with pytest.raises(KeyboardInterrupt):
        signals(signal.SIGINT, None)
