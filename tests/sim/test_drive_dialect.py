"""The drive's own reading of dialect files: the shipped one, and what it refuses."""

from fractions import Fraction

import pytest

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.wire.described import load_dialect
from choreo_sim.dialect_reader import SHIPPED, Form, read_dialect
from choreo_sim.yaml_tree import tree_of

from .bench import shipped

TEXT = (SHIPPED / "short_frame.yaml").read_text(encoding="utf-8")


def test_the_shipped_dialect_is_read_as_it_stands():
    dialect = shipped()
    assert (dialect.nodes, dialect.broadcast, dialect.extended) == ((1, 31), 0, False)
    assert [rule.name for rule in dialect.settings.values()] == [
        "speed",
        "acceleration",
        "jerk",
        "quick_stop",
        "following_error",
        "torque_limit",
    ]
    assert dialect.setting("speed").step == Fraction(1024)
    assert dialect.setting("speed").special == {0}
    assert (dialect.cycle_ns, dialect.latch_ns, dialect.reply_within_ns) == (1_000_000, 500_000, 3_000_000)
    assert dialect.loads.survives == {"stop", "quick_stop", "disable"}
    assert dialect.error_code("brake is applied") == 7
    assert dialect.fault_code("position feedback lost") == 5


def test_a_dialect_may_say_that_a_message_is_never_broadcast(tmp_path):
    path = tmp_path / "mine.yaml"
    path.write_text(TEXT.replace("  echo:\n", "  echo:\n    broadcast: never\n", 1), encoding="utf-8")
    assert "broadcast: never" in path.read_text(encoding="utf-8")
    load_dialect(path)
    assert read_dialect(path).messages["echo"].broadcast == "never"


def test_an_unknown_reason_gets_the_lowest_code():
    assert shipped().error_code("tired") == 1


@pytest.mark.parametrize(
    ("frame", "name", "node", "values"),
    [
        (Frame(0x14B, bytes.fromhex("11 2A")), "echo", 11, {"count": 42}),
        (Frame(0x14B, bytes.fromhex("42 F0 FF FF FF B0 04")), "preload", 11, {"target": -16, "speed": 1200}),
        (Frame(0x15F, bytes.fromhex("31 00")), "disable", 31, {}),
        (Frame(0x040, b"\x51"), "start", 0, {}),
        (Frame(0x02C, b"\x62"), "quick_stop", 12, {}),
    ],
)
def test_requests_are_told_apart_by_identifier_length_and_constants(frame, name, node, values):
    message, address, found = shipped().request_of(frame)
    assert (message.name, address, found) == (name, node, values)


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0x14B, b""),
        Frame(0x14B, bytes.fromhex("11")),
        Frame(0x14B, bytes.fromhex("31 02")),
        Frame(0x160, bytes.fromhex("12")),
        Frame(0x14B, bytes.fromhex("12"), extended=True),
        Frame(0x14B, b"", remote=True),
    ],
)
def test_other_frames_are_none_of_them(frame):
    assert shipped().request_of(frame) is None
    assert shipped().reply_of(frame) is None


def test_replies_are_found_too():
    message, node, values = shipped().reply_of(Frame(0x12B, bytes.fromhex("92 FE FF FF FF")))
    assert (message.name, node, values) == ("read_position", 11, {"position": -2})


@pytest.mark.parametrize("order", ["little", "big"])
def test_fields_of_24_bits_and_constants_in_between(order):
    form = Form(tree_of("p: [{a: signed 24}, {constant: 7}, {b: unsigned 8}]", "x").need("p"), order)
    data = form.pack(-2, 200)
    assert data == bytes.fromhex("FE FF FF 07 C8" if order == "little" else "FF FF FE 07 C8")
    assert form.unpack(data) == {"a": -2, "b": 200}
    assert form.unpack(data[:-1]) is None
    assert form.unpack(bytes.fromhex("FE FF FF 08 C8")) is None


@pytest.mark.parametrize(
    ("was", "becomes", "complaint"),
    [
        ("byte_order: little", "byte_order: middle", "'middle' is not known here"),
        ("{count: unsigned 8}], means", "{count: float 8}], means", "a float has 32 or 64 bits"),
        (
            "on: request, payload: [{constant: 0x12}]",
            "on: requests, payload: [{constant: 0x12}]",
            "did you mean 'request'",
        ),
        ("{constant: 0x12}", "{constant: 0x112}", "274 is outside 0 to 255"),
        ("unit: 1024 counts/s,", "unit: 1024 mm/s,", "needs a number and a unit"),
        ("at_trigger: consumed", "at_trigger: eaten", "'eaten' is not known here"),
        ("  cycle: 1 ms", "  cycle: 1", "needs a number and a unit"),
        ("  second_load: replaces\n", "", "'second_load' is missing here"),
        ("{target: signed 32}, {speed: unsigned 16}]}", "{target: signed 32}, {speed: unsigned 32}]}", "9 bytes"),
    ],
)
def test_what_it_cannot_speak_is_refused_with_its_place(tmp_path, was, becomes, complaint):
    assert was in TEXT
    path = tmp_path / "mine.yaml"
    path.write_text(TEXT.replace(was, becomes, 1), encoding="utf-8")
    with pytest.raises(RecipeError, match=r"^mine\.yaml:\d+:\d+  ") as caught:
        read_dialect(path)
    assert complaint in caught.value.headline


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("a: &x 1\nb: *x", "anchors and aliases are not read here"),
        ("a: !python/name:os.system 1", "tags are not read here"),
        ("a: 1\na: 2", "stands here twice"),
        ("a: [1", "is not YAML"),
        ("- 1", "must be a mapping"),
        ("", "must be a mapping"),
        ("a: 1\n---\nb: 2", "one document a file"),
        ("[" * 5000, "levels are not read"),
        ("- " * 5000, "levels are not read"),
        ("a: \x00", "is not YAML"),
        ("? [a]\n: 1", "a single value is expected"),
    ],
)
def test_hostile_yaml_is_refused_in_one_line(text, complaint):
    with pytest.raises(RecipeError) as caught:
        tree_of(text, "f.yaml")
    assert complaint in caught.value.headline
    assert "\n" not in caught.value.headline


def test_files_that_are_too_long_missing_or_no_text_are_refused(tmp_path):
    (tmp_path / "long.yaml").write_text("a: " + "1" * 300_000)
    (tmp_path / "latin.yaml").write_bytes("a: ü".encode("latin-1"))
    for name, complaint in (("long", "at most"), ("latin", "not UTF-8"), ("none", "cannot be read")):
        with pytest.raises(RecipeError, match=complaint):
            read_dialect(tmp_path / f"{name}.yaml")


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("1/3 mm", Fraction(1, 3)),
        ("-0.25 mm", Fraction(-1, 4)),
        ("+7 mm", Fraction(7)),
        ("24576/5 mm", Fraction(24576, 5)),
    ],
)
def test_amounts_are_exact(text, number):
    assert tree_of(f"a: {text}", "x").need("a").amount({"mm": Fraction(1)}) == number


@pytest.mark.parametrize("text", ["1", "mm", "1e3 mm", "1/0 mm", "0x10 mm", ".5 mm", "1 inch", "1  2 mm"])
def test_amounts_that_are_none(text):
    with pytest.raises(RecipeError):
        tree_of(f"a: {text}", "x").need("a").amount({"mm": Fraction(1)})
