"""
Who broke the rule: the four culprits and the exit code that each brings.

    ChoreoError
    ├── RecipeError        2   the recipe, a machine file, a dialect file or the command line is wrong; nothing was sent
    ├── ExpectationFailed  1   the machine did what it was told and the recipe expected something else
    ├── MachineFault       3   a drive, an axis, a watcher or a time limit: the run is stopped
    │   └── RefusedByDrive 3   a data-error reply
    ├── LinkLost           4   the adapter or the whole bus
    ├── OperatorStop     130   somebody asked for the stop
    └── InternalError     70   choreo's own bug; never blames the recipe
"""

from enum import IntEnum


class Exit(IntEnum):
    """The exit codes of every command."""

    DONE = 0
    EXPECTATION = 1
    REFUSED = 2
    STOPPED = 3
    LINK = 4
    INTERNAL = 70
    OPERATOR = 130


class ChoreoError(Exception):
    """
    Base of everything that choreo raises on purpose.

    `headline` is complete on its own: what, with both numbers and their units. `axis` and `node` name the place on the
    machine where there is one, `rule` is the readable, stable identifier of what was broken, `help` says what to do.
    """

    exit = Exit.INTERNAL

    def __init__(
        self, headline: str, *, rule: str = "", axis: str | None = None, node: int | None = None, help: str = ""
    ) -> None:
        super().__init__(headline)
        self.headline = headline
        self.rule = rule or type(self).__name__
        self.axis = axis
        self.node = node
        self.help = help

    def __str__(self) -> str:
        return self.headline


class RecipeError(ChoreoError):
    """A file or an argument of the user's is wrong. Nothing has been sent."""

    exit = Exit.REFUSED


class ExpectationFailed(ChoreoError):
    """An `expect` step did not find what the recipe says."""

    exit = Exit.EXPECTATION


class MachineFault(ChoreoError):
    """The machine does not do what was predicted, or does not answer in time."""

    exit = Exit.STOPPED


class RefusedByDrive(MachineFault):
    """A drive answered with a data-error reply: it did not accept a value or a command."""


class LinkLost(ChoreoError):
    """The adapter, or the bus as a whole, is gone."""

    exit = Exit.LINK


class OperatorStop(ChoreoError):
    """Somebody asked for the stop: a key, a signal, a closed terminal."""

    exit = Exit.OPERATOR


class InternalError(ChoreoError):
    """A bug in choreo. Stops the machine like any other fault."""

    exit = Exit.INTERNAL
