"""Sound texts, spoilt: pieces put in, taken out, changed, lines moved about, bytes that are no UTF-8."""

import re
from collections.abc import Callable
from pathlib import Path
from random import Random

ROOT = Path(__file__).parents[2]


def under_recipes(key: str) -> list[Path]:
    """The files of the sample recipes that begin with a key, such as `choreo_dialect`."""
    found = sorted((ROOT / "recipes").rglob("*.yaml"))
    return [path for path in found if re.search(rf"(?m)^{key}:", path.read_text(encoding="utf-8"))]


PIECES = [
    *(
        "",
        " ",
        "  ",
        "\n",
        "\n  - ",
        ": ",
        "{",
        "}",
        "[",
        "]",
        ",",
        "#",
        "'",
        '"',
        "|",
        "-",
        "$",
        "$stroke",
        "-$stroke",
    ),
    *("&a ", "*a", "!!int ", "<<: ", "? ", "---\n", "%YAML 1.1\n", ">-\n", "@", "`", "\t", "\r", "\\"),
    *(
        "0 mm",
        "5",
        "-5 mm",
        "1e30 mm",
        "9e999 mm",
        "1/0 mm",
        "5 mm/s",
        "3 deg",
        "NaN",
        "inf mm",
        "٣ mm",
        "true",
        "null",
    ),
    *(
        "~",
        "all",
        "to",
        "by",
        "0x",
        "0xFFFFFFFFFFFFFFFFF",
        "-1",
        "99999999999999999999999",
        "1/3",
        "0.0",
        "+5",
        "1_000",
    ),
    *(
        "beam",
        "lift",
        "beam_left",
        "park",
        "repeat: 99999999",
        "steps:",
        "steps: []",
        "move: {}",
        "home: all",
        "enable:",
    ),
    *(
        "label: 5",
        "order: [[]]",
        "like: lift",
        "like: like",
        "machine: machine.yaml",
        "machine: .",
        "dialect: ../x.yaml",
    ),
    *("limits: {all: {speed: 1 mm/s}}", "\u202e", "\x00", "é", "\ufeff", "\u2028", "🚧", "x" * 300),
    *("unsigned 8", "signed 64", "signed 65", "unsigned 0", "float 32", "bcd 12", "shortest unsigned", "rolling: 4"),
    *("constant: 256", "bits: []", "ignored: 0", "node: 8", "crc: 8", "over: [payload]", "on: reply", "means: done"),
    *("1 ms", "-1 ms", "0 ms", "100 %", "0 counts", "counts/s", "1 counts/s^2", "says: {}", "frame: 14B#12", "14B#1"),
    *("kind: silent_node", "node: 12", "at: 1 s", "nth: 0", "times: all", "edge: 5 mm", "{x: {y: [z]}}", "[[[]]]"),
]

#: What may stand behind a key instead of what does.
SHAPES = ["", "x", "[]", "{}", "[x]", "{x: y}", "[[x]]", "{x: {y: z}}", "[{x: y}]", "5", "5 mm", "$stroke", "''", "~"]


def _insert(text: str, chance: Random) -> str:
    at = chance.randrange(len(text) + 1)
    return text[:at] + chance.choice(PIECES) + text[at + chance.choice((0, 0, 1, 3, 12)) :]


def _scalar(text: str, chance: Random) -> str:
    """Another value behind a colon, in a list or in braces."""
    places = list(re.finditer(r"(?<=[:,\[{] )?[\w./#^%-]+", text))
    if not places:
        return text
    found = chance.choice(places)
    return text[: found.start()] + chance.choice(PIECES) + text[found.end() :]


def _shape(text: str, chance: Random) -> str:
    places = list(re.finditer(r"(?m)^( *(?:- )?\w+:).*$", text))
    if not places:
        return text
    found = chance.choice(places)
    return f"{text[: found.end(1)]} {chance.choice(SHAPES)}{text[found.end() :]}"


def _lines(text: str, chance: Random) -> str:
    """A line doubled, lost, moved or indented."""
    lines = text.split("\n")
    at = chance.randrange(len(lines))
    match chance.randrange(5):
        case 0:
            lines.insert(chance.randrange(len(lines) + 1), lines[at])
        case 1:
            del lines[at]
        case 2:
            lines.insert(chance.randrange(len(lines)), lines.pop(at))
        case 3:
            lines[at] = " " * chance.randrange(1, 4) + lines[at]
        case _:
            lines = lines[:at]
    return "\n".join(lines)


def _number(text: str, chance: Random) -> str:
    """Another number in place of one."""
    places = list(re.finditer(r"\d+", text))
    if not places:
        return text
    found = chance.choice(places)
    number = chance.choice(("0", "1", "7", "255", "256", "65536", "4294967296", str(1 << 64), "9" * 40, "9" * 5000))
    return text[: found.start()] + number + text[found.end() :]


def _word(text: str, chance: Random) -> str:
    """A word of the text in place of another."""
    words = list(re.finditer(r"[a-z_]{2,}", text))
    if not words:
        return text
    found = chance.choice(words)
    return text[: found.start()] + chance.choice(words)[0] + text[found.end() :]


EDITS: tuple[Callable[[str, Random], str], ...] = (_insert, _insert, _scalar, _shape, _lines, _number, _word, _word)


def spoilt(text: str, number: int) -> bytes:
    """The text as case `number` has it: usually one to four edits, now and then bytes that are no text at all."""
    chance = Random(number)
    for _ in range(chance.choice((1, 1, 2, 3, 4))):
        text = chance.choice(EDITS)(text, chance)
    data = text.encode("utf-8", "surrogatepass")
    if chance.randrange(40) == 0:
        at = chance.randrange(len(data) + 1)
        data = data[:at] + chance.randbytes(chance.randrange(1, 9)) + data[at:]
    return data
