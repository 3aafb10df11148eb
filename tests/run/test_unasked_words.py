"""What drives say of themselves unasked, and what the watchers make of it."""

from io import StringIO

import pytest

from choreo.drive.conversation import Reply
from choreo.drive.families import make_drive
from choreo.errors import MachineFault
from choreo.frame import Frame
from choreo.journal.writer import JournalWriter
from choreo.link.simulated import run_by_hand
from choreo.run.axes import Axis
from choreo.run.guard import Guard
from choreo.run.session import Session
from choreo.run.watch.watchers import Watch
from tests.drive.variants import compiled, text
from tests.run.fake import MS, FakeLink
from tests.run.machine import DEMO, plan_of

BITS = "{bits: [enabled, moving, homed, loaded, brake_applied, in_position, -, -]}"
TALKATIVE = compiled(
    text(
        (
            "  boot:  {on: event, payload: [{constant: 0xF0}]}\n",
            "  boot:  {on: event, payload: [{constant: 0xF0}]}\n"
            f"  status: {{on: event, payload: [{{constant: 0xF3}}, {BITS}, {{fault: unsigned 8}}], every: 100 ms}}\n"
            "  homed: {on: event, payload: [{constant: 0xF4}]}\n"
            "  position: {on: event, payload: [{constant: 0xF5}, {position: signed 32}]}\n",
        ),
        name="talkative",
    )
)
CODED = compiled(
    text(
        (
            f"[{{constant: 0x93}}, {BITS}, {{fault: unsigned 8}}]",
            "[{constant: 0x93}, {state: unsigned 8}, {fault: unsigned 8}]",
        ),
        (
            "latch: {switch: home_switch}\n",
            "states: {0: [], 1: [enabled], 2: [enabled, moving], 3: [enabled, loaded], "
            "4: [enabled, homed, in_position]}\n"
            "latch: {switch: home_switch}\n",
        ),
        name="coded",
    )
)
EVENT = 0x060 + 13  # node 13


class Bench:
    """One axis, its drive and its watchers, on a link on which nothing is answered."""

    def __init__(self) -> None:
        plan = plan_of(DEMO).axes[2]
        assert (plan.name, plan.node) == ("carriage", 13)
        self.link = FakeLink()
        self.text = StringIO()
        self.session = Session(self.link, Guard({}, []), JournalWriter(None, self.text), ["carriage"])
        drive = make_drive(TALKATIVE, 13)
        self.axis = Axis(plan, drive, 1 << 32)
        self.session.traffic.add_lane(drive.lane, 0, 10 * MS, drive.echo_ask)
        self.watch = Watch(self.session, [self.axis], [], {plan.dialect: TALKATIVE})
        for identifier in drive.event_ids:
            self.session.traffic.listen(identifier, lambda frame: self.watch.hear(self.axis, frame), 0)

    def say(self, data: str, after_ms: int = 1) -> None:
        self.link.arrive(after_ms * MS, Frame(EVENT, bytes.fromhex(data)))

    def listen(self, ms: int = 20) -> None:
        run_by_hand(self.session.sleep(ms * MS))


@pytest.fixture
def bench() -> Bench:
    bench = Bench()
    bench.axis.enabled = bench.axis.home_valid = True
    return bench


def test_a_status_in_order_is_no_news(bench: Bench):
    bench.say("F3 05 00")  # enabled, homed
    bench.listen()
    assert bench.session.log.findings == 0


def test_a_fault_in_a_status_is_a_fault_of_the_axis(bench: Bench):
    bench.say("F3 05 02")
    with pytest.raises(MachineFault, match="carriage: the drive reports a fault: overcurrent") as raised:
        bench.listen()
    assert raised.value.rule == "drive-fault"


def test_power_that_is_gone_unasked_is_a_finding_and_power_that_is_being_switched_none(bench: Bench):
    bench.axis.switching = True
    bench.say("F3 04 00")
    bench.listen()
    bench.axis.switching = False
    bench.say("F3 04 00")
    with pytest.raises(MachineFault, match="says that it is without power") as raised:
        bench.listen()
    assert raised.value.rule == "power-lost"


def test_a_home_that_is_lost_is_not_valid_any_more(bench: Bench):
    """practice.md P17 (common practice, no source)."""
    bench.say("F4")
    bench.listen()
    assert bench.axis.home_valid
    bench.say("F3 01 00")
    with pytest.raises(MachineFault, match="home is lost"):
        bench.listen()
    assert not bench.axis.home_valid


def test_a_drive_that_starts_anew_may_hold_anything(bench: Bench):
    """practice.md P1, P2 and P17: what survives a power cycle is the dialect's affair, and nobody has asked yet."""
    bench.axis.load_state = "empty"
    bench.say("F0")
    with pytest.raises(MachineFault, match="started anew"):
        bench.listen()
    assert (bench.axis.load_state, bench.axis.home_valid, bench.axis.target_known) == ("unknown", False, False)


def test_pushed_positions_are_taken_no_oftener_than_asked_for(bench: Bench):
    """practice.md P10: three equal readings within three milliseconds prove nothing of an axis that creeps."""
    bench.watch.least_apart_ns = 10 * MS
    for ms in range(1, 31):
        bench.say("F5 07 00 00 00", ms)
    bench.listen(40)
    assert bench.axis.samples == 3
    assert not bench.axis.stands(bench.session.now() - 15 * MS, 0)


def test_what_is_to_be_heard_regularly_is_missed_after_three_periods(bench: Bench):
    bench.watch.expect(bench.axis, TALKATIVE.event_periods)
    for ms in (50, 150, 250, 450):  # one was lost
        bench.say("F3 05 00", ms)
    bench.listen(790)
    assert bench.session.log.findings == 0
    with pytest.raises(MachineFault, match="to say `status` every 100 ms, and has not for 350 ms") as raised:
        bench.listen(20)
    assert (raised.value.rule, raised.value.axis) == ("event-missing", "carriage")


# A status of coded states.


def test_a_coded_state_says_what_the_dialect_says():
    drive = make_drive(CODED, 13)
    reply = drive.poll_position().lane
    says = {}
    for code in range(5):
        conversation = drive.status()
        ask = next(conversation)
        with pytest.raises(StopIteration) as ended:
            conversation.send(_reply(ask, Frame(reply, bytes((0x93, code, 0)))))
        says[code] = ended.value.value
    assert [status.enabled for status in says.values()] == [False, True, True, True, True]
    assert [status.moving for status in says.values()] == [False, False, True, False, False]
    assert [status.loaded for status in says.values()] == [False, False, False, True, False]
    assert [status.homed for status in says.values()] == [False, False, False, False, True]
    assert says[0].brake_applied is None  # no state says anything about it


def test_a_state_that_the_dialect_does_not_explain_is_a_fault():
    drive = make_drive(CODED, 13)
    conversation = drive.status()
    ask = next(conversation)
    with pytest.raises(MachineFault, match="its state is 9, which the dialect does not explain") as raised:
        conversation.send(_reply(ask, Frame(drive.poll_position().lane, bytes((0x93, 9, 0)))))
    assert raised.value.rule == "state-unknown"


def _reply(ask, frame):
    return Reply(ask.decode(frame), 0, 1)
