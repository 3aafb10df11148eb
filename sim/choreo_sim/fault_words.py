"""The faults of a fault file in words, by kind: what `choreo explain` shows of them."""

from choreo_sim import fault_draw, fault_vary
from choreo_sim.fault_base import PIN
from choreo_sim.fault_kinds import KINDS
from choreo_sim.faults import OTHERS

_FORM = "In a fault file:"
_AXIS = "axis: an axis by its name, or `node:` with its number"
_PIN = (
    "at: a time of the run, or step: the step whose beginning it waits for, by its path (9.3 or 9.3 (2 of 5)), label "
    "or verb, and after: how long after that"
)
_SPEED = "at_speed: when a motion from its moment on gets so fast, instead of at its moment"
_TURN = "nth: from which of its moments on (1), times: how often (1; all for every one)"


def describe() -> dict[str, str]:
    """Text by kind of fault: a paragraph about it, then the form of its entry; and what is drawn and varied."""
    drives = {name: _text(name, ("axis", *kind.KEYS), kind.__doc__) for name, kind in KINDS.items()}
    others = {name: _text(name, other.keys, other.put.__doc__) for name, other in OTHERS.items()}
    return drives | others | {"draw": _whole(fault_draw.__doc__), "vary": _whole(fault_vary.__doc__)}


def _text(name: str, keys: tuple[str, ...], says: str | None) -> str:
    """Laid out like a docstring."""
    shown = [key for key in keys if key not in ("node", *PIN[1:])]
    entry = ", ".join([f"kind: {name}", *(f"{key}: ..." for key in shown)])
    hints = [
        hint for key, hint in (("axis", _AXIS), ("step", _PIN), ("at_speed", _SPEED), ("times", _TURN)) if key in keys
    ]
    return f"{(says or '').strip()}\n\n{_FORM}\n\n    - {{{entry}}}\n\n" + "\n\n".join(hints)


def _whole(says: str | None) -> str:
    return (says or "").strip()
