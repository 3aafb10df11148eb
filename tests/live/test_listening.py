"""
Who else is on the bus before anything is sent (practice.md P3, P18; common practice, no source), in virtual time.

Frames of the shipped dialect, read from its file by eye: 0x040 starts, 0x143 is a request to node 3, 0x243 its reply.
"""

import pytest

from choreo.api import simulation_request
from choreo.drive.conversation import Tell
from choreo.errors import InternalError, LinkLost, OperatorStop, RecipeError
from choreo.frame import Frame
from choreo.link.port import Interrupt
from choreo.link.simulated import open_simulated, run_by_hand
from choreo.live import stops
from choreo.live.listening import LISTEN_NS, listen
from choreo.live.stops import numbered, stop_frames
from choreo.wire.words import FrameClass
from run.machine import DEMO, GANTRY, plan_of

SLIDES = GANTRY.parents[1] / "tests" / "live" / "two_slides.yaml"


def heard(*frames, at_ns=LISTEN_NS // 2):
    """What listening comes to when another host sends these."""
    plan = plan_of(SLIDES)
    link = open_simulated(simulation_request(plan))
    sent = []
    link.bus.taps.append(lambda frame, t_ns, sender: sent.append(frame) if sender == "host" else None)
    other = link.bus.attach("other host", lambda frame, t_ns: None, fifo=True)
    for frame in frames:
        link.kernel.at(at_ns, other.send, frame)
    try:
        return run_by_hand(listen(link, plan)), link
    finally:
        assert sent == []


def test_a_quiet_bus_is_heard_for_the_whole_time():
    count, link = heard()
    assert count == 0
    assert link.now_ns() >= LISTEN_NS


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (Frame(0x040, b"\x51"), "commands all nodes: start"),
        (Frame(0x143, b"\x12"), "asks near_slide"),
    ],
)
def test_another_host_refuses_the_run_before_anything_is_sent(frame, words):
    with pytest.raises(RecipeError) as refused:
        heard(frame)
    assert refused.value.rule == "foreign-host"
    assert words in refused.value.headline


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0x7F1, b"\x00"),
        Frame(0x143, b"\x12", extended=True),
        Frame(0x145, b"\x12"),  # node 5 is none of this machine's
    ],
)
def test_other_traffic_is_nobodys_command(frame):
    count, _ = heard(frame)
    assert count >= 1


def test_a_full_bus_does_not_make_it_listen_for_ever():
    frames = [Frame(0x700 + number % 0xFF, bytes(8)) for number in range(4000)]
    count, link = heard(*frames, at_ns=1000)
    assert 0 < count < 4000
    assert link.now_ns() < 2 * LISTEN_NS


def test_what_the_operator_and_the_adapter_do_meanwhile():
    plan = plan_of(SLIDES)
    link = open_simulated(simulation_request(plan))
    link.post(Interrupt("Ctrl-C"))
    with pytest.raises(OperatorStop):
        run_by_hand(listen(link, plan))
    link.lose_adapter("unplugged")
    with pytest.raises(LinkLost):
        run_by_hand(listen(link, plan))


@pytest.mark.parametrize("recipe", [SLIDES, DEMO])
def test_the_guardians_frames_stop_all_and_then_each_node_and_do_nothing_else(recipe):
    plan = plan_of(recipe)
    (dialect,) = plan.dialects.values()
    decoded = [dialect.decode(frame) for frame in stop_frames(plan)]
    assert {one.frame_class for one in decoded} == {FrameClass.STOPS}
    assert [one.node for one in decoded] == [None, *(axis.node for axis in plan.axes)]
    assert numbered(plan) == []


def test_stops_that_are_numbered_cannot_be_made_beforehand(monkeypatch):
    """The index drive's own stops carry no rolling number (its file, by eye); one that would is told."""
    plan = plan_of(GANTRY.parent / "index_table" / "index_and_probe.yaml")
    assert numbered(plan) == []
    assert [frame.text() for frame in stop_frames(plan)] == ["00FF4D01#", "00154D01#", "00164D01#"]

    class Numbering:
        def quick_stop(self):
            return Tell(Frame(0x14D), "stop", anew=lambda: Frame(0x14D))

        quick_stop_all = quick_stop

    monkeypatch.setattr(stops, "make_drive", lambda *_: Numbering())
    assert numbered(plan) == ["./index_drive.yaml"]
    assert stop_frames(plan) == []


def test_what_the_guardian_would_send_goes_past_a_guard(monkeypatch):
    """A start in the place of a stop is refused, and so is anything that is no stop."""
    plan = plan_of(SLIDES)
    for frame, error in ((Frame(0x040, b"\x51"), "guard-start"), (Frame(0x143, b"\x12"), "guardian-stop")):

        class Wrong:
            def quick_stop(self, frame=frame):
                return Tell(frame, "stop")

            quick_stop_all = quick_stop

        monkeypatch.setattr(stops, "make_drive", lambda *_, wrong=Wrong: wrong())
        with pytest.raises(InternalError) as refused:
            stop_frames(plan)
        assert refused.value.rule == error
