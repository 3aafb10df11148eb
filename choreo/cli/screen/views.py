"""What the screen shows besides axes: a step, a finding, how the drives answer."""

from dataclasses import dataclass


@dataclass(slots=True)
class StepView:
    """One step, as planned."""

    path: str
    verb: str
    label: str
    predicted_ns: int
    timeout_ns: int = 0


@dataclass(frozen=True, slots=True)
class Finding:
    """What a watcher, a limit, a check or the bus had to say."""

    t_ns: int
    level: str
    headline: str
    help: str = ""


@dataclass(frozen=True, slots=True)
class Replies:
    """
    How long drives took to answer in the last half second, None without an answer; `lost` requests had none. `load` is
    the share of the bus that is in use, None where nobody measures it.
    """

    median_ns: int | None
    worst_ns: int | None
    lost: int
    load: float | None
