"""Faults of the simulated bus, as the installed simulator describes them."""

from collections.abc import Iterator
from importlib import import_module

from choreo.cli.topics.topic import Topic, first_sentence, shaped
from choreo.errors import RecipeError
from choreo.link.simulated import find_opener

KIND = "fault"

#: The module, beside the one that opens a simulated bus, whose `describe()` gives a text by kind of fault.
MODULE = "fault_words"


def topics() -> Iterator[Topic]:
    """One a kind of fault; none without a simulator, or with one that does not describe its faults."""
    try:
        package = find_opener().__module__.rpartition(".")[0]
        texts: dict[str, str] = import_module(f"{package}.{MODULE}").describe()
    except (RecipeError, ModuleNotFoundError):
        return
    for name, text in texts.items():
        yield Topic(KIND, name, first_sentence(text), lambda width, text=text: shaped(text, width))  # type: ignore[misc]
