"""Exit codes, from the errors that bring them."""

from collections.abc import Iterable, Iterator

from choreo import errors
from choreo.cli.topics.topic import Topic, first_sentence, shaped
from choreo.errors import ChoreoError, Exit

KIND = "exit code"


def topics() -> Iterator[Topic]:
    """One a code."""
    for code in Exit:
        says = first_sentence(_classes(code)[0].__doc__) if code is not Exit.DONE else "Everything was done as written."
        yield Topic(KIND, str(int(code)), says, lambda width, code=code: _lines(code, width))  # type: ignore[misc]


def _classes(code: Exit) -> list[type[ChoreoError]]:
    """The errors that end with this code, the most general first."""
    found = [
        value
        for value in vars(errors).values()
        if isinstance(value, type) and issubclass(value, ChoreoError) and value is not ChoreoError
    ]
    return [cls for cls in found if cls.exit is code]


def _lines(code: Exit, width: int) -> Iterable[str]:
    if code is Exit.DONE:
        yield "Everything was done as written."
    for number, cls in enumerate(_classes(code)):
        if number:
            yield ""
        yield from shaped(cls.__doc__, width)
