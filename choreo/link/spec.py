"""
What names a bus on the command line: `interface:channel`, or `section:NAME` of python-can's configuration files, and
options. Words in, words out: python-can is not imported here.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches

from choreo.errors import RecipeError

#: The word before the colon that names a section of a configuration file and no interface.
SECTION = "section"
#: What an option cannot set, because something else says it.
SAID_ELSEWHERE = {
    "interface": "--bus names the interface",
    "bustype": "--bus names the interface",
    "channel": "--bus names the channel",
    "bitrate": "the bit rate is the recipe's",
    "receive_own_messages": "choreo asks for its own frames back wherever an interface can return them",
    "can_filters": "choreo has to hear every frame on the bus",
}

_WHOLE = re.compile(r"[+-]?(?:0[xX][0-9A-Fa-f]+|[0-9]+)")
_BROKEN = re.compile(r"[+-]?(?:[0-9]+\.[0-9]*|\.[0-9]+|[0-9]+(?=[eE]))(?:[eE][+-]?[0-9]+)?")
_YES_OR_NO = {"true": True, "yes": True, "on": True, "false": False, "no": False, "off": False}
#: How alike two names must be for the one to be suggested for the other.
_ALIKE = 0.6

Value = bool | int | float | str


@dataclass(frozen=True, slots=True)
class BusSpec:
    """A bus by its names: `section` is empty unless a configuration file says the rest."""

    text: str
    interface: str = ""
    channel: str = ""
    section: str = ""
    options: Mapping[str, Value] = field(default_factory=dict)


def bus_spec(text: str, options: Mapping[str, str]) -> BusSpec:
    """
    What `text` and the options, given as words, say.

    Raises:
        RecipeError: it names no bus, or an option is none.
    """
    before, colon, after = text.partition(":")
    if not (before and colon and after):
        raise RecipeError(
            f"bus {text!r} does not name an interface and a channel",
            rule="bus-spec",
            help="Write it as interface:channel, for example socketcan:can0 or slcan:/dev/ttyACM0@115200, "
            "or as section:NAME for a section of python-can's configuration files.",
        )
    for name in options:
        if name in SAID_ELSEWHERE:
            raise RecipeError(
                f"bus {text!r}: {name} is no option here: {SAID_ELSEWHERE[name]}",
                rule="bus-option",
                help="Leave it out.",
            )
        if not name.isidentifier():
            raise RecipeError(f"bus {text!r}: {name!r} is no name of an option", rule="bus-option")
    values = {name: option_value(value) for name, value in options.items()}
    if before == SECTION:
        return BusSpec(text, section=after, options=values)
    return BusSpec(text, before, after, options=values)


def option_value(text: str) -> Value:
    """
    What an option's words stand for: a whole number (`0x` in front for hexadecimal), a number with a point or an
    exponent, `true`, `yes`, `on`, `false`, `no`, `off`, and everything else for itself.
    """
    if _WHOLE.fullmatch(text):
        return int(text, 16 if "x" in text.lower() else 10)
    if _BROKEN.fullmatch(text):
        return float(text)
    return _YES_OR_NO.get(text.lower(), text)


def suggestion(word: str, known: Iterable[str]) -> str:
    """`Did you mean slcan?`, or all that are known where none is near."""
    names = sorted(known)
    near = get_close_matches(word.lower(), names, n=1, cutoff=_ALIKE)
    return f"Did you mean {near[0]}?" if near else f"It has {', '.join(names)}." if names else "It has none."
