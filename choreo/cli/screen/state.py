"""What a run is doing, in one word for the other end of the room and in one sentence."""

from collections.abc import Sequence
from dataclasses import dataclass

from choreo.cli.progress import Progress
from choreo.cli.screen.axes import AxisView
from choreo.errors import Exit

#: A live run writes several times a second; when it is silent for so long, what is shown is old.
SILENT_S = 3.0
#: Of more axes than these only the number is said.
NAMED = 3


@dataclass(frozen=True, slots=True)
class Glance:
    """
    What is known beside the journal. `begun`: whether there is a journal; `silent_s`: for how long nothing was written
    to it, at `since` by the clock on the wall; `typed`: what the operator has typed so far; `watching`: whether
    somebody only looks on, who can stop nothing here.
    """

    begun: bool = True
    silent_s: float = 0.0
    since: str = ""
    typed: str = ""
    watching: bool = False
    place: str = ""


@dataclass(frozen=True, slots=True)
class State:
    """`word` in capital letters; `says` in a sentence; `style` one of the painter's."""

    word: str
    says: str
    style: str


def state_of(progress: Progress, glance: Glance) -> State:
    """What matters most comes first: the end, a lost writer, a stop, a question, motion."""
    if not glance.begun:
        return State("WAITING", f"for the run to begin: there is no journal yet ({glance.place})", "calm")
    if progress.outcome is not None:
        return _ended(progress)
    if glance.silent_s >= SILENT_S:
        says = f"nothing was written for {span(glance.silent_s)}, since {glance.since}: what stands here is old. "
        return State("SILENT", says + "The run may have been cut off; look at the machine", "alarm")
    if progress.stopping:
        return State("STOPPING", "all axes are being brought to rest", "alarm")
    if progress.question:
        return State("ASKS", "an answer is needed before it goes on", "ask")
    moving = progress.moving
    if moving:
        return State("MOVING", named(moving, "moves", "move"), "go")
    if not progress.done and progress.step is None:
        return State("CHECKING", "nothing moves yet: nodes, loads and settings are looked at", "calm")
    return State("READY", "no axis moves now; any may at any moment", "go")


def _ended(progress: Progress) -> State:
    unproven = progress.unproven
    if unproven:
        return State("UNPROVEN", f"stopped, but NOT PROVEN at rest: {named(unproven)}. Stay clear", "alarm")
    if progress.exit == Exit.DONE:
        return State("DONE", "the run has ended as it should", "done")
    if progress.exit == Exit.EXPECTATION:
        return State("FAILED", f"an expectation failed (exit code {progress.exit})", "warn")
    rest = all(axis.state == "at rest" for axis in progress.axes)
    says = "every axis was proven at rest" if rest else "the journal does not say of every axis that it rests"
    return State("STOPPED", f"{says} (exit code {progress.exit})", "warn")


def named(axes: Sequence[AxisView], one: str = "", several: str = "") -> str:
    """The axes by name, or of many how many, with what they do."""
    verb = one if len(axes) == 1 else several
    who = ", ".join(axis.name for axis in axes) if len(axes) <= NAMED else f"{len(axes)} axes"
    return f"{who} {verb}".rstrip()


def span(seconds: float) -> str:
    """`4 s`, `2:05` (minutes) or `1:02:05`."""
    whole = int(seconds)
    if whole < 60:
        return f"{whole} s"
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02}:{rest % 60:02}" if hours else f"{rest // 60}:{rest % 60:02}"
