"""The faults of a fault file in words, by kind: what `choreo explain` shows of them."""

from choreo_sim.fault_kinds import KINDS
from choreo_sim.faults import OTHERS

_FORM = "In a fault file:"
_BY_TURN = "nth: from which of its moments on (1), at: from which time on, times: how often (1)"


def describe() -> dict[str, str]:
    """Text by kind of fault: a paragraph about it, then the form of its entry."""
    drives = {name: _text(name, ("node", *kind.KEYS), kind.__doc__) for name, kind in KINDS.items()}
    return drives | {name: _text(name, other.keys, other.put.__doc__) for name, other in OTHERS.items()}


def _text(name: str, keys: tuple[str, ...], says: str | None) -> str:
    """Laid out like a docstring."""
    entry = ", ".join([f"kind: {name}", *(f"{key}: ..." for key in keys)])
    turn = f"\n\n{_BY_TURN}" if "nth" in keys else ""
    return f"{(says or '').strip()}\n\n{_FORM}\n\n    - {{{entry}}}{turn}"
