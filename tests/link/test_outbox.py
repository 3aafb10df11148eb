"""The outbox of the live link by itself, against a plain list."""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from choreo.frame import Frame
from choreo.link.outbox import IN_ADAPTER, Handed, Outbox

FRAMES = st.tuples(st.integers(0x120, 0x123), st.binary(max_size=1)).map(lambda parts: Frame(*parts))


class AsAList(RuleBasedStateMachine):
    """What was put in comes out once, in order, or is taken back; at most two are in the adapter (practice.md P7)."""

    def __init__(self) -> None:
        super().__init__()
        self.clock = 0
        self.outbox = Outbox(self.now_ns)
        self.waiting: list[tuple[Frame, bool]] = []
        self.in_adapter: list[Handed] = []

    def now_ns(self) -> int:
        self.clock += 1
        return self.clock

    @rule(frame=FRAMES, confirm=st.booleans())
    def put(self, frame: Frame, confirm: bool) -> None:
        self.outbox.put(frame, confirm)
        self.waiting.append((frame, confirm))

    @rule(id=st.integers(0x120, 0x123))
    def withdraw(self, id: int) -> None:
        taken = self.outbox.withdraw(lambda frame: frame.id == id)
        assert taken == [frame for frame, _ in self.waiting if frame.id == id]
        self.waiting = [entry for entry in self.waiting if entry[0].id != id]

    @precondition(lambda self: self.waiting and len(self.in_adapter) < IN_ADAPTER)
    @rule()
    def take(self) -> None:
        handed = self.outbox.take()
        assert handed is not None
        assert (handed.frame, handed.confirm) == self.waiting.pop(0)
        self.in_adapter.append(handed)

    @precondition(lambda self: self.in_adapter)
    @rule(frame=FRAMES)
    def echo(self, frame: Frame) -> None:
        found = self.outbox.in_adapter_like(frame)
        alike = [handed for handed in self.in_adapter if handed.frame == frame]
        assert found is (alike[0] if alike else None)
        if found is not None:
            self.outbox.has_left(found)
            self.in_adapter.remove(found)
            assert self.outbox.forget_gone_like(frame)

    @invariant()
    def counted(self) -> None:
        assert self.outbox.unsent() == len(self.waiting) + len(self.in_adapter)
        assert self.outbox.oldest_in_adapter() is (self.in_adapter[0] if self.in_adapter else None)


AsAList.TestCase.settings = settings(settings.get_profile("suite"), max_examples=60, stateful_step_count=30)
TestOutbox = AsAList.TestCase


def test_nothing_is_taken_after_the_end() -> None:
    outbox = Outbox(lambda: 0)
    outbox.put(Frame(0x14B), False)
    outbox.end()
    assert outbox.take() is None
    assert outbox.unsent() == 1


def test_a_frame_that_left_is_known_once() -> None:
    outbox = Outbox(lambda: 0)
    outbox.put(Frame(0x14B, b"\x12"), False)
    handed = outbox.take()
    assert handed is not None
    outbox.has_left(handed)
    assert not outbox.forget_gone_like(Frame(0x14B, b"\x13"))
    assert outbox.forget_gone_like(Frame(0x14B, b"\x12", t_ns=7))
    assert not outbox.forget_gone_like(Frame(0x14B, b"\x12"))


def test_what_has_waited_for_too_long_is_never_given_to_the_adapter() -> None:
    """A start that was put in before the whole computer was halted must not leave when it goes on (practice.md P7)."""
    clock = [0]
    outbox = Outbox(lambda: clock[0], stale_ns=1000)
    for id in (0x120, 0x121, 0x122):
        outbox.put(Frame(id), False)
    clock[0] = 1000
    assert outbox.take() is not None
    clock[0] = 1001
    assert outbox.take() is None
    assert outbox.stale == 1001
    assert outbox.unsent() == 3
    assert outbox.withdraw(lambda frame: True) == [Frame(0x121), Frame(0x122)]
