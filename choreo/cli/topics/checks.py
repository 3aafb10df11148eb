"""The checks, from their own manuals."""

from collections.abc import Iterator

from choreo.checks import CHECKS
from choreo.cli.topics.topic import Topic, first_sentence, shaped

KIND = "check"


def topics() -> Iterator[Topic]:
    """One a check."""
    for check in CHECKS:
        doc = check.__doc__
        yield Topic(KIND, check.ID, first_sentence(doc), lambda width, doc=doc: shaped(doc, width))  # type: ignore[misc]
