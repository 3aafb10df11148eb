"""What another host says to the nodes of a machine (practice.md P18, common practice, no source)."""

from collections.abc import Iterable, Mapping

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.wire.dialect import Dialect
from choreo.wire.words import FrameClass


def said_by_another(frame: Frame, dialects: Iterable[Dialect], names: Mapping[int, str]) -> str:
    """
    What a request in a dialect of the machine that is not choreo's says, `commands lift (node 14): ...`; empty for any
    other frame: what drives say, and what is said to nodes that are none of `names`, its axes by node.
    """
    for dialect in dialects:
        told = dialect.decode(frame)
        if told is None or told.from_drive or (told.node is not None and told.node not in names):
            continue
        whom = "all nodes" if told.node is None else f"{names[told.node]} (node {told.node})"
        what = "asks" if told.frame_class is FrameClass.NEUTRAL else "commands"
        return f"{what} {whom}: {told.message} ({frame.text()})"
    return ""


def foreign_host(said: str) -> RecipeError:
    """Why nothing is sent on a bus where another host says this."""
    return RecipeError(
        f"somebody else on the bus {said}",
        rule="foreign-host",
        help="Nothing was sent. End the other program, or take the other host off the bus; then begin again.",
    )
