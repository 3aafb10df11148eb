"""
A usual entry of each kind of fault for a given axis: what a draw draws, and what a table of all faults is made of.

Every entry is pinned to a moment; sizes are parts of the axis' own way between its limit switches, so that they suit a
machine of any size.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from random import Random

from choreo_sim.truth import AxisTruth


@dataclass(frozen=True, slots=True)
class Subject:
    """An axis as far as an entry has to know it; `span` is the way between its limit switches, in its unit."""

    name: str
    unit: str
    span: float
    brake: bool
    inputs: tuple[str, ...] = ()  # that something is wired to

    @classmethod
    def of(cls, axis: AxisTruth, inputs: Iterable[str] = ()) -> "Subject":
        """From what is true of the axis, and which inputs of its drive something is wired to."""
        low, high = axis.limit_switches
        return cls(axis.name, axis.unit, float(high - low), axis.brake is not None, tuple(inputs))

    def can(self, kind: str) -> str:
        """Why a kind of fault cannot be this axis'; "" where it can."""
        if kind in OF_BRAKE and not self.brake:
            return f"{self.name} has no brake"
        if kind in OF_INPUT and not self.inputs:
            return f"nothing is wired to an input of {self.name}"
        return ""

    def way(self, part: float) -> str:
        """A part of its way, as a value with a unit."""
        return f"{self.span * part:.4g} {self.unit}"

    def speed(self, part: float) -> str:
        """So much of its way in a second."""
        return f"{self.span * part:.4g} {self.unit}/s"


#: What an entry says besides its kind, its axis and its moment. The random source is None for the usual entry.
Keys = Mapping[str, str]
_Sample = Callable[[Subject, Random | None], Keys]


def _plain(subject: Subject, chance: Random | None) -> Keys:
    return {}


def _between(chance: Random | None, low: float, high: float, usual: float) -> float:
    return usual if chance is None else low + (high - low) * chance.randrange(101) / 100


def _ms(chance: Random | None, low: int, high: int, usual: int) -> str:
    return f"{usual if chance is None else chance.randrange(low, high + 1)} ms"


def _way(low: float, high: float, usual: float) -> _Sample:
    return lambda subject, chance: {"by": subject.way(_between(chance, low, high, usual))}


def _speed(low: float, high: float, usual: float) -> _Sample:
    return lambda subject, chance: {"speed": subject.speed(_between(chance, low, high, usual))}


def _late(low: int, high: int, usual: int) -> _Sample:
    return lambda subject, chance: {"by": _ms(chance, low, high, usual)}


def _fixed(**keys: str) -> _Sample:
    return lambda subject, chance: keys


def _both(*samples: _Sample) -> _Sample:
    return lambda subject, chance: {key: text for sample in samples for key, text in sample(subject, chance).items()}


def _input(subject: Subject, chance: Random | None) -> Keys:
    return {"input": subject.inputs[0] if chance is None else chance.choice(subject.inputs)}


def _flickers(subject: Subject, chance: Random | None) -> Keys:
    return {**_input(subject, chance), "lasts": _ms(chance, 1, 15, 5), "count": "3"}


def _count(subject: Subject, chance: Random | None) -> Keys:
    return {"count": str(8 if chance is None else chance.randrange(1, 40))}


#: Of one axis.
OF_AXIS: dict[str, _Sample] = {
    "lost_request": _plain,
    "lost_reply": _plain,
    "late_reply": _late(5, 60, 25),
    "duplicate_reply": _plain,
    "duplicate_frame": _fixed(message="read_position"),
    "corrupt_frame": _fixed(message="read_position"),
    "late_request": _both(_fixed(message="read_position"), _late(5, 60, 25)),
    "forged_reply": _way(0.01, 0.2, 0.05),
    "forged_event": _fixed(event="boot"),
    "foreign_command": _both(_way(0.01, 0.1, 0.05), _speed(0.01, 0.05, 0.02)),
    "data_error_reply": _plain,
    "silent_node": lambda subject, chance: {"deaf": "true"} if chance is not None and chance.random() < 0.5 else {},
    "bus_off": _plain,
    "stalled_axis": lambda subject, chance: {"unnoticed": "true"} if chance is None or chance.random() < 0.5 else {},
    "frozen_encoder": _plain,
    "runaway": _speed(0.1, 0.2, 0.15),
    "runaway_after_stop": _speed(0.1, 0.2, 0.15),
    "wrong_direction": _plain,
    "load_lost": _plain,
    "load_lost_early": _plain,
    "load_doubled": _plain,
    "load_slow": _fixed(part="1/2"),
    "stale_load": _both(_way(0.02, 0.1, 0.05), _speed(0.01, 0.03, 0.02)),
    "trigger_delayed": _late(20, 500, 300),
    "drive_fault": _plain,
    "drive_restarts": _plain,
    "moves_unasked": _both(_way(0.01, 0.1, 0.05), _speed(0.01, 0.03, 0.02)),
    "brake_slips": _speed(0.005, 0.02, 0.01),
    "brake_sags": _way(0.0004, 0.002, 0.0008),
    "brake_stuck": _plain,
    "home_switch_stuck": lambda subject, chance: {
        "level": "on" if chance is not None and chance.random() < 0.5 else "off"
    },
    "home_switch_missing": _plain,
    "home_switch_bounces": _way(0.0001, 0.001, 0.0005),
    "position_jump": _way(0.02, 0.2, 0.1),
    "noise_spike": _way(0.0001, 0.05, 0.02),
    "input_lost": _input,
    "input_flickers": _flickers,
}

#: Of the bus, the adapter, or several drives.
OF_ALL: dict[str, _Sample] = {
    "error_frames": _count,
    "trigger_stuck": _late(60, 3000, 500),
    "foreign_stop": _plain,
    "adapter_lost": _plain,
    "nodes_lost": lambda subject, chance: {
        "nodes": "all", "supply": "bus" if chance is not None and chance.random() < 0.5 else "power"
    },
}  # fmt: skip

#: Kinds that need a brake.
OF_BRAKE = frozenset({"brake_slips", "brake_sags", "brake_stuck"})
#: Kinds that need an input with something wired to it.
OF_INPUT = frozenset({"input_lost", "input_flickers"})


def sample(kind: str, subject: Subject, moment: Keys, chance: Random | None = None) -> str | None:
    """
    The entry of a kind for an axis, as one line of YAML: the usual one, or one that is drawn. None where the axis has
    not what the fault is about. `moment` says when: `{"at": "2 s"}`, `{"step": '"9.3"', "after": "200 ms"}`.
    """
    if kind in OF_AXIS and subject.can(kind):
        return None
    if kind in OF_ALL:
        keys = {"kind": kind, **OF_ALL[kind](subject, chance), **moment}
    else:
        keys = {"kind": kind, "axis": subject.name, **OF_AXIS[kind](subject, chance), **moment}
    return "{" + ", ".join(f"{key}: {text}" for key, text in keys.items()) + "}"
