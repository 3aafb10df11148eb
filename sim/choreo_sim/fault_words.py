"""The faults of a fault file in words, by kind: what `choreo explain` shows of them."""

from choreo_sim.fault_kinds import KINDS, Kind

_FORM = "In a fault file:"
_BY_TURN = "nth: from which of its moments on (1), at: from which time on, times: how often (1)"

#: The faults of the bus and of the adapter, which are no drive's. The keys of each, and what it does.
_OTHERS = {
    "duplicate_frame": (
        ("node", "message", "nth", "at", "times"),
        "A request that its receivers get twice, because its last bit is wrong (practice.md P6).",
    ),
    "corrupt_frame": (
        ("node", "message", "nth", "at", "times"),
        "A request that an error frame destroys, and that its sender repeats.",
    ),
    "adapter_lost": (
        ("at", "its_frames_leave"),
        "The host's adapter is gone at a time; with `its_frames_leave: true` it keeps its power, and what it holds "
        "leaves all the same.",
    ),
}


def describe() -> dict[str, str]:
    """Text by kind of fault: a paragraph about it, then the form of its entry."""
    drives = {
        name: _text(name, ("node", *kind.KEYS), kind.__doc__ or "")
        for name, kind in KINDS.items()
        if isinstance(kind, type) and issubclass(kind, Kind)
    }
    return drives | {name: _text(name, keys, says) for name, (keys, says) in _OTHERS.items()}


def _text(name: str, keys: tuple[str, ...], says: str) -> str:
    """Laid out like a docstring."""
    entry = ", ".join([f"kind: {name}", *(f"{key}: ..." for key in keys)])
    turn = f"\n\n{_BY_TURN}" if "nth" in keys else ""
    return f"{says.strip()}\n\n{_FORM}\n\n    - {{{entry}}}{turn}"
