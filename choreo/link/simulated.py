"""
The way to a simulated bus. It is found by entry point, never imported: choreo works without a simulator installed.

`run_by_hand` drives a session on such a link without an event loop: a simulated link steps virtual time by itself and
never suspends, so a signal handler's `post` is seen at once and no event loop has to be imported.
"""

from collections.abc import Callable, Coroutine
from typing import Any, TypeVar, cast

from choreo.errors import InternalError, RecipeError
from choreo.link.offered import offered
from choreo.link.port import Link, SimulationRequest

GROUP = "choreo.simulated_bus"

T = TypeVar("T")
Opener = Callable[[SimulationRequest], Link]


def find_opener(name: str = "default") -> Opener:
    """
    The function that opens a simulated link, from the entry point `name` of the group `choreo.simulated_bus`.

    Raises RecipeError when there is none.
    """
    found = offered(GROUP, name)
    if found is not None:
        return cast(Opener, found)
    raise RecipeError(
        f"no simulated bus named {name!r} is installed",
        rule="no-simulated-bus",
        help=f"Install a package that offers the entry point {name!r} in the group {GROUP!r}.",
    )


def open_simulated(request: SimulationRequest, name: str = "default") -> Link:
    """Open a link onto a simulated bus. Raises RecipeError when no simulator is installed."""
    return find_opener(name)(request)


def run_by_hand(coroutine: Coroutine[Any, Any, T]) -> T:
    """
    Run a coroutine that never suspends to its end, and return what it returns.

    Raises InternalError when it suspends after all: then it waits for something else than its simulated link.
    """
    try:
        coroutine.send(None)
    except StopIteration as finished:
        return cast(T, finished.value)
    coroutine.close()
    raise InternalError(
        "a coroutine on a simulated link waited for something other than the link",
        rule="suspended-in-virtual-time",
        help="Everything that waits must do so in `receive_until`.",
    )
