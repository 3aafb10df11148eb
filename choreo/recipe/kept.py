"""What of a recipe and of a machine file says which machine it is, when nobody asks for its steps."""

from __future__ import annotations

from choreo.text.tree import Branch

#: All that is needed to talk to a machine and to stop it.
OF_THE_MACHINE = (
    *("choreo", "title", "machine", "name", "simulated", "bus", "axes", "pairs", "groups", "limits", "unhomed"),
    "parameters",  # limits may refer to them
)
#: The same without what a recipe adds to the machine file that it names.
BY_NAME = ("choreo", "title", "machine")


def is_machine(tree: Branch) -> bool:
    """Whether it is a machine file: it names none, and has neither steps nor a title."""
    return all(tree.key(key) is None for key in ("machine", "title", "steps", "closing", "sequences"))


def only(tree: Branch, kept: tuple[str, ...]) -> Branch:
    """The tree without any other key."""
    return tree.like({key: value for key, value in tree.items() if key in kept})
