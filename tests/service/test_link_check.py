"""
What a link check finds, on a simulated bus in virtual time. Frames are those of the shipped dialect, read from its file
by eye: requests are 0x140 + node, replies 0x120 + node, events 0x060 + node; 0x11 is an echo, 0x12 a position.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.link.port import AdapterLost, Interrupt
from choreo.service.link_check import Wanted
from choreo_sim.framebits import exact_bits
from tests.service.checking import GANTRY, SECOND, faulty, machine, run, with_axes

MS = 1_000_000


@pytest.mark.parametrize(("exchanges", "percent"), [(10, 25.887), (30, 9.503), (59, 4.951), (100, 2.951), (299, 0.997)])
def test_a_good_link_and_what_its_count_proves(exchanges: int, percent: float):
    # The bounds: facts.md H9.
    checked = run(Wanted(exchanges=exchanges), path=GANTRY)
    assert [(node.axis, node.node) for node in checked.report.nodes] == [
        ("beam_left", 11),
        ("beam_right", 12),
        ("carriage", 13),
        ("lift", 14),
    ]
    for node in checked.report.nodes:
        assert (node.exchanges, node.lost, node.wrong) == (exchanges, 0, 0)
        assert round(100 * node.bound, 3) == percent
    assert checked.verdict.good
    assert (checked.report.strangers, checked.report.others, checked.report.error_frames) == ((), (), 0)


def test_nothing_is_sent_but_echoes_and_readings_and_nothing_for_half_a_second():
    checked = run()
    sent = checked.sent()
    assert min(t_ns for t_ns, _ in sent) > 500 * MS
    assert {frame.id for _, frame in sent} == set(range(0x141, 0x160))  # every node number of the dialect, 1 to 31
    assert {(frame.data[0], len(frame.data)) for _, frame in sent} == {(0x11, 2), (0x12, 1)}


def test_each_exchange_is_one_request_on_the_wire():
    checked = run(Wanted(exchanges=80))
    for node in checked.report.nodes:
        asked = [frame for _, frame in checked.sent() if frame.id == 0x140 + node.node]
        answered = [frame for _, frame, sender in checked.wire if frame.id == 0x120 + node.node]
        assert len(asked) == len(answered) == node.exchanges == 80
        counts = [frame.data[1] for frame in asked if frame.data[0] == 0x11]
        assert counts == list(range(len(counts)))  # they neither skip nor repeat (P35)


def test_the_times_are_those_of_the_wire():
    # On the wire: last bit of the request to last bit of the reply. An exchange has besides the request itself (0.11 ms
    # for 2 bytes), the way into the adapter, and a frame of the other node that is in its way. Percentiles: numpy.
    checked = run(Wanted(exchanges=60))
    for node in checked.report.nodes:
        ends = [t for t, frame, _ in checked.wire if frame.id in (0x140 + node.node, 0x120 + node.node)]
        wire = [reply - request for request, reply in zip(ends[::2], ends[1::2], strict=True)]
        on_wire = [int(np.percentile(wire, p, method="inverted_cdf")) for p in (0, 50, 99, 100)]
        for found, least in zip((node.min_ns, node.median_ns, node.p99_ns, node.max_ns), on_wire, strict=True):
            assert found is not None
            assert least + 100_000 < found < least + 500_000


def test_the_measured_load_encloses_the_exact_one():
    # Exact lengths: the simulator's own table-driven CRC and stuffing, which shares no code with choreo (facts.md A1).
    checked = run(Wanted(exchanges=200), path=GANTRY)
    busy = checked.report.busy
    over_ns = checked.link.now_ns()
    began_ns = over_ns - busy.span_ns
    frames = [frame for t_ns, frame, _ in checked.wire if began_ns < t_ns <= over_ns]
    assert len(frames) == busy.frames
    exact = sum(map(exact_bits, frames)) * SECOND / busy.span_ns / 500_000
    assert busy.least <= exact <= busy.most
    assert busy.most - busy.least < 0.25 * exact


def test_replies_that_are_lost_are_counted(tmp_path):
    checked = run(request=faulty(tmp_path, "kind: lost_reply, node: 9, message: echo, nth: 20, times: 3"))
    near, far = checked.node("near_slide"), checked.node("far_slide")
    assert checked.acted() == 3
    assert (near.lost, far.lost) == (0, 3)
    assert far.exchanges >= 300
    assert far.wrong == 0
    assert not checked.verdict.good
    (word,) = (word for word in checked.verdict.words if word.startswith("far_slide"))
    assert f"3 of {far.exchanges} exchanges lost" in word
    assert any(hint.startswith("Only far_slide (node 9) loses") for hint in checked.verdict.hints)
    assert any("120 ohm at the two ends" in hint for hint in checked.verdict.hints)
    assert any("at 500 kbit/s the line may be 100 m" in hint for hint in checked.verdict.hints)


def test_lost_requests_are_losses_too(tmp_path):
    checked = run(request=faulty(tmp_path, "kind: lost_request, node: 3, message: echo, nth: 50, times: 2"))
    assert checked.acted() == 2
    assert checked.node("near_slide").lost == 2


def test_a_reply_that_comes_twice(tmp_path):
    checked = run(request=faulty(tmp_path, "kind: duplicate_reply, node: 9, message: echo, nth: 30, times: 4"))
    far = checked.node("far_slide")
    assert (far.lost, far.doubled, far.wrong) == (0, checked.acted(), checked.acted())
    assert far.doubled > 0
    assert not checked.verdict.good
    assert not any("Two nodes" in hint for hint in checked.verdict.hints)  # a few are the bus (P6)


def test_a_late_reply_is_lost_and_known_for_what_it_is(tmp_path):
    checked = run(request=faulty(tmp_path, "kind: late_reply, node: 9, message: echo, by: 200 ms, nth: 40"))
    far = checked.node("far_slide")
    assert (far.lost >= 1, far.late) == (True, 1)
    assert far.strange == far.contradicting == 0


def test_a_silent_node_is_given_up_and_the_others_are_measured(tmp_path):
    checked = run(request=faulty(tmp_path, "kind: silent_node, node: 3, at: 0 s"))
    near, far = checked.node("near_slide"), checked.node("far_slide")
    assert near.silent
    assert near.exchanges == near.lost == 30
    assert near.median_ns is None
    assert near.bound == 1.0
    assert far.sound
    assert far.exchanges == 300
    assert not checked.verdict.good
    assert "near_slide (node 3) does not answer" in " ".join(checked.verdict.words)
    assert checked.verdict.hints[0].startswith("near_slide (node 3): look at the drive's power")


def test_in_a_soak_a_silent_node_is_asked_to_the_end(tmp_path):
    checked = run(Wanted(for_ns=100 * SECOND), request=faulty(tmp_path, "kind: silent_node, node: 3, at: 0 s"))
    assert checked.node("near_slide").lost > 100


def test_error_frames_are_reported(tmp_path):
    errors = [f"kind: error_frames, node: 9, count: 1, at: {second} s" for second in (2, 3, 4)]
    checked = run(request=faulty(tmp_path, *errors))
    assert checked.report.error_frames == checked.acted() == 3
    assert "3 error frames on the bus." in checked.verdict.words
    assert any("120 ohm" in hint for hint in checked.verdict.hints)


def test_a_forged_reply_with_a_count_that_nobody_sent():
    def before(link):
        for second in (2, 3, 4):
            link.bus.faults.forge(Frame(0x129, b"\x91\xfe"), second * SECOND)

    far = run(before=before).node("far_slide")
    assert (far.strange, far.lost) == (3, 0)


def test_a_node_that_nobody_declared():
    request = machine()[1]
    stranger = replace(request.axes[0], name="stranger", node=17)
    checked = run(request=with_axes(request, stranger))
    (found,) = checked.report.strangers
    assert (found.node, found.dialect, found.answered) == (17, "short_frame", True)
    assert checked.report.asked_others == 29
    assert checked.report.others == ()  # its answer was to our own question
    assert checked.verdict.good
    assert "not declared: 1 node" in checked.verdict.headline
    assert any("node 17" in word and "start trigger" in word for word in checked.verdict.words)


def test_two_nodes_with_one_number_contradict_each_other():
    # practice.md P36 (common practice, no source)
    request = machine()[1]
    checked = run(request=with_axes(request, replace(request.axes[1], name="twin")))
    far, near = checked.node("far_slide"), checked.node("near_slide")
    assert near.sound
    assert far.doubled > 200
    assert far.contradicting > 0
    assert not checked.verdict.good
    assert checked.verdict.hints[0].startswith("Two nodes with one number? far_slide (node 9)")


def test_a_stranger_that_only_speaks_by_itself_is_heard():
    def before(link):
        link.bus.faults.forge(Frame(0x060 + 20, b"\xf0"), 100 * MS)  # the boot event of node 20

    checked = run(before=before)
    (found,) = checked.report.strangers
    assert (found.node, found.answered) == (20, False)
    (other,) = checked.report.others
    assert (other.identifier, other.frames, other.before) == (0x074, 1, 1)
    assert "node 20, which nobody declared" in other.whose


def test_other_traffic_is_told_by_what_it_is():
    def before(link):
        link.bus.faults.forge(Frame(0x18FF0102, b"\x01", extended=True), 100 * MS)
        link.bus.faults.forge(Frame(0x700, b""), 200 * MS)
        link.bus.faults.forge(Frame(0x700, b""), 2 * SECOND)

    checked = run(before=before)
    others = {(other.identifier, other.extended): (other.frames, other.before) for other in checked.report.others}
    assert others == {(0x700, False): (2, 1), (0x18FF0102, True): (1, 1)}
    assert {other.whose for other in checked.report.others} == {"none of this machine's dialects"}
    assert checked.report.quiet.frames == 2
    assert checked.verdict.good


@pytest.mark.parametrize(("identifier", "gets_through"), [(0x7F0, True), (0x010, False)])
def test_a_bus_that_others_fill(identifier: int, gets_through: bool):
    # The lowest identifier wins the bus (facts.md A8; ISO 11898-1): the one starves the machine, the other does not.
    frame = Frame(identifier, b"\x55" * 8)

    def before(link):
        babbler = link.bus.attach("babbler", lambda frame, t_ns: None, fifo=True)
        babbler.on_sent = lambda sent, t_ns: babbler.send(frame)
        babbler.send(frame)

    checked = run(before=before)
    assert all(node.sound is gets_through and node.silent is not gets_through for node in checked.report.nodes)
    assert checked.report.quiet.least > 0.95
    assert checked.verdict.good is gets_through
    hint = checked.verdict.hints[0]
    assert "% full before choreo says anything" in hint
    assert f"Most of it has the identifier {identifier:03X}" in hint


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (Frame(0x149, b"\x31\x01"), "commands far_slide"),  # enable
        (Frame(0x149, b"\x12"), "asks far_slide"),
        (Frame(0x020, b"\x61"), "commands all nodes"),  # a stop (P18)
    ],
)
def test_somebody_else_speaks_to_the_machine_already(frame: Frame, words: str):
    links = []

    def before(link):
        links.append(link)
        link.bus.faults.forge(frame, 300 * MS)

    with pytest.raises(RecipeError, match=f"somebody else on the bus {words}") as caught:
        run(before=before)
    assert caught.value.rule == "foreign-host"
    assert not links[0].unsent()


def test_somebody_else_begins_to_speak_later():
    def before(link):
        link.bus.faults.forge(Frame(0x149, b"\x31\x00"), 3 * SECOND)

    checked = run(before=before)
    assert 50 < checked.node("near_slide").exchanges < 300
    assert not checked.verdict.good
    assert checked.report.ended.startswith("somebody else on the bus commands far_slide")
    assert max(t_ns for t_ns, _ in checked.sent()) < 3 * SECOND + 2 * MS


def test_an_adapter_that_is_lost(tmp_path):
    checked = run(request=faulty(tmp_path, "kind: adapter_lost, at: 3 s"))
    assert checked.report.lost_adapter == "the adapter is gone"
    assert 50 < checked.node("near_slide").exchanges < 300
    assert all(node.lost == 0 for node in checked.report.nodes)  # what was out is no loss of the node's
    assert not checked.verdict.good
    assert checked.verdict.words[0] == "The adapter is lost: the adapter is gone."


def test_an_adapter_that_is_lost_before_anything_was_sent():
    checked = run(before=lambda link: link.post(AdapterLost("unplugged")))
    assert (checked.report.exchanges, checked.verdict.headline) == (0, "the adapter is lost")
    assert checked.sent() == []


def test_an_interrupt_ends_a_soak_with_what_was_measured():
    def watch(link, progress):
        if progress.t_ns >= 90 * SECOND:
            link.post(Interrupt("Ctrl-C"))

    checked = run(Wanted(for_ns=600 * SECOND), watch=watch)
    assert 90 <= checked.node("near_slide").exchanges <= 110
    assert checked.report.ended == "ended by the operator: Ctrl-C"
    assert checked.verdict.good
    assert 90 * SECOND <= checked.report.measured_ns < 91 * SECOND


def test_an_interrupt_before_anything_was_sent():
    checked = run(before=lambda link: link.post(Interrupt("Ctrl-C")))
    assert (checked.report.exchanges, checked.sent()) == (0, [])
    assert checked.verdict.headline == "nothing was measured"
    assert not checked.verdict.good


def test_a_soak_asks_each_node_once_a_second():
    seen = []
    checked = run(Wanted(for_ns=120 * SECOND), watch=lambda link, progress: seen.append(progress))
    assert checked.report.measured_ns == pytest.approx(120 * SECOND, rel=0.001)
    for node in (3, 9):
        times = [t_ns for t_ns, frame in checked.sent() if frame.id == 0x140 + node and frame.data[0] == 0x11]
        assert len(times) == 120
        assert all(abs(after - before - SECOND) < 2 * MS for before, after in pairwise(times))
    assert len(seen) == 119 or len(seen) == 120
    assert [progress.t_ns // SECOND for progress in seen[:3]] == [1, 2, 3]
    assert seen[-1].for_ns == 120 * SECOND
    assert seen[-1].target is None
    assert all(0 < progress.load < 0.01 for progress in seen)


def test_another_pace():
    checked = run(Wanted(exchanges=110, every_ns=5 * MS))
    assert checked.report.every_ns == 5 * MS
    assert checked.report.measured_ns < 600 * MS
    assert checked.node("near_slide").exchanges == 110


def test_a_node_that_is_slower_than_the_pace_is_not_hurried():
    # 3 ms is what the dialect grants a drive; an exchange that is due meanwhile is left out and counted.
    checked = run(Wanted(exchanges=60, every_ns=1 * MS))
    assert sum(node.overruns for node in checked.report.nodes) > 0
    assert all(node.lost == node.wrong == 0 for node in checked.report.nodes)
    assert any("does not keep up with one exchange every 1 ms" in hint for hint in checked.verdict.hints)


def test_the_same_bus_gives_the_same_report():
    assert run().report == run().report


@pytest.mark.parametrize(
    "wanted",
    [
        {"exchanges": 0},
        {"exchanges": 10_000_001},
        {"exchanges": 5, "for_ns": SECOND},
        {"for_ns": SECOND // 2},
        {"for_ns": 30_000 * SECOND, "every_ns": MS},
    ],
)
def test_what_cannot_be_measured_is_refused(wanted):
    with pytest.raises(RecipeError):
        Wanted(**wanted)
