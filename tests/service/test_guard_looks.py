"""A guard that only looks: questions to anybody, and nothing else to anybody."""

import pytest

from choreo.frame import Frame
from choreo.run.guard import Guard, GuardRefusal
from choreo.wire.described import shipped_file
from choreo.wire.words import FrameClass
from tests.drive.variants import compiled
from tests.run.fake import DIALECT, guard_for, node_limits

DECLARED, STRANGER = 11, 17


@pytest.fixture
def looking() -> Guard:
    guard = guard_for(DECLARED)
    guard.found_at(DECLARED, 20_000)
    guard.only_look()
    return guard


@pytest.mark.parametrize("node", [DECLARED, STRANGER])
@pytest.mark.parametrize(("message", "values"), [("echo", {"count": 3}), ("read_position", {}), ("status", {})])
def test_questions_go_to_every_node(looking: Guard, node: int, message: str, values: dict[str, int]):
    assert looking.check(DIALECT.encode(message, node, **values)) is FrameClass.NEUTRAL


@pytest.mark.parametrize("node", [DECLARED, STRANGER])
@pytest.mark.parametrize(
    ("message", "values"),
    [
        ("enable", {}),
        ("disable", {}),
        ("release_brake", {}),
        ("apply_brake", {}),
        ("reset_fault", {}),
        ("clear_load", {}),
        ("stop", {}),
        ("quick_stop", {}),
        ("move", {"target": 20_000, "speed": 1}),
        ("preload", {"target": 20_000, "speed": 1}),
        ("write_setting", {"number": 1, "value": 1}),
        ("home", {"edge": 0}),
        ("set_output", {"output": 1, "on": 0}),
    ],
)
def test_nothing_else_goes_to_any(looking: Guard, node: int, message: str, values: dict[str, int]):
    with pytest.raises(GuardRefusal) as caught:
        looking.check(DIALECT.encode(message, node, **values))
    assert caught.value.rule == "guard-look"


@pytest.mark.parametrize("message", ["start", "stop", "quick_stop"])
def test_no_broadcast_leaves(looking: Guard, message: str):
    with pytest.raises(GuardRefusal, match="no question to one node"):
        looking.check(DIALECT.encode(message, None))


def test_what_no_dialect_knows_is_refused_all_the_same(looking: Guard):
    with pytest.raises(GuardRefusal) as caught:
        looking.check(Frame(0x7FF, b"\x01"))
    assert caught.value.rule == "guard-unknown"


def test_a_guard_of_a_run_lets_nothing_to_a_stranger():
    guard = guard_for(DECLARED)
    with pytest.raises(GuardRefusal) as caught:
        guard.check(DIALECT.encode("echo", STRANGER, count=1))
    assert caught.value.rule == "guard-node"


def test_a_question_that_gives_power_in_another_dialect_of_the_machine_is_refused():
    # To a node that nobody declared it could be either; a declared one speaks its own dialect and no other.
    text = shipped_file("short_frame").read_text(encoding="utf-8")
    for old, new in (("{constant: 0x11}, {count: unsigned 8}", "{constant: 0x77}, {count: unsigned 8}"),
                     ("{constant: 0x31}, {constant: 0x01}", "{constant: 0x11}, {constant: 0x01}")):  # fmt: skip
        assert text.count(old) == 1
        text = text.replace(old, new)
    other = compiled(text)
    guard = Guard({"one": DIALECT, "other": other}, [(node_limits(DECLARED, "axis"), "one")])
    guard.only_look()
    question = DIALECT.encode("echo", STRANGER, count=1)
    told = other.decode(question)
    assert told is not None
    assert told.frame_class is FrameClass.ENABLES
    with pytest.raises(GuardRefusal) as caught:
        guard.check(question)
    assert caught.value.rule == "guard-ambiguous"
    assert guard.check(DIALECT.encode("echo", DECLARED, count=1)) is FrameClass.NEUTRAL
