"""The families of drives: by the family of a dialect, what makes a drive of it."""

from collections.abc import Callable
from typing import Any

from choreo.drive.counters import Counters
from choreo.drive.described import DescribedDrive
from choreo.drive.verbs import Drive
from choreo.wire.dialect import Dialect


def _cia402(dialect: Any, node: int, counters: Counters | None) -> Drive:
    from choreo.drive.cia402 import Cia402Drive  # only where a machine has one: a start of choreo is the quicker for it

    return Cia402Drive(dialect, node)


#: Each takes the compiled dialect of its own family, a node number, and the counters of the bus.
FAMILIES: dict[str, Callable[[Any, int, Counters | None], Drive]] = {
    "described": DescribedDrive,
    "cia402": _cia402,
}


def make_drive(dialect: Dialect, node: int, counters: Counters | None = None) -> Drive:
    """
    The drive `node` of a dialect. All drives of one bus share `counters`, where a dialect numbers its broadcasts.
    Raises RecipeError for a node number that the dialect does not have.
    """
    return FAMILIES[dialect.family](dialect, node, counters)
