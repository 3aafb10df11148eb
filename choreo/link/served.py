"""
The way to a simulated machine in real time, with adapters that other programs open; found by entry point like the
simulated bus.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Protocol, cast

from choreo.errors import RecipeError
from choreo.link.offered import offered
from choreo.link.port import SimulationRequest

GROUP = "choreo.simulated_machine"


class Served(Protocol):
    """
    A simulated machine with its adapters, ready to run in real time. `buses` is what `--bus` takes, one an adapter,
    the first being the one that faults of the host's adapter mean.
    """

    buses: tuple[str, ...]

    def run(self, lasts_ns: int | None = None) -> None:
        """Run until `stop`, or for so long."""

    def stop(self) -> None:
        """Let `run` return, now or as soon as it begins. Safe from a signal handler and from any thread."""

    def close(self) -> bool:
        """Pull the plug, and say how the machine was left; whether it was damaged. Once."""


class Server(Protocol):
    """What the entry point is."""

    def __call__(
        self,
        request: SimulationRequest,
        *,
        baud: int | None = None,
        adapters: int = 1,
        port: Path | None = None,
        say: Callable[[str], object],
    ) -> Served:
        """
        Build the machine that `request` asks for, and its adapters; a bit rate of 0 is the machine truth's own. With
        `baud` their lines are as slow as real ones; `port` is a symbolic link to the first, `port-2` to the second.
        `say` gets one line at a time.

        Raises RecipeError: the machine, its faults or `port` cannot be used.
        """


def find_server(name: str = "default") -> Server:
    """
    What serves simulated machines, from the entry point `name` of the group `choreo.simulated_machine`.

    Raises RecipeError when there is none.
    """
    found = offered(GROUP, name)
    if found is None:
        raise RecipeError(
            f"no simulated machine named {name!r} is installed",
            rule="no-simulated-machine",
            help=f"Install a package that offers the entry point {name!r} in the group {GROUP!r}.",
        )
    return cast(Server, found)
