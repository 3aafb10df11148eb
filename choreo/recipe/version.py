"""The version of the language in which a file is written."""

from __future__ import annotations

from choreo.recipe.reading import Reading
from choreo.recipe.scalars import kind_of
from choreo.text.tree import Branch, Text

VERSION = 1


def check_version(tree: Branch, reading: Reading) -> bool:
    """
    Look at `choreo: 1`. False when the file is written in another version than ours: what else is in it cannot be
    judged, and this alone is said. A version that is missing or no number is kept as a finding.
    """
    value = tree.get(Text("choreo"))
    if value is None:
        help = f"Begin the file with `choreo: {VERSION}`, the version of the language."
        reading.error(
            "missing-version",
            "the file does not say in which version of the language it is written",
            tree.span,
            help=help,
        )
        return True
    if isinstance(value, Text) and value == str(VERSION):
        return True
    if isinstance(value, Text) and value.isascii() and value.isdigit() and value.plain and len(value) < 6:
        headline = f"the file is written in version {value} of the language, and this choreo reads version {VERSION}"
        newer = int(value) > VERSION
        help = "Install a newer choreo." if newer else f"The version of the language is {VERSION}."
        reading.findings.clear()
        reading.error("other-version", headline, value.span, help=help)
        return False
    key = tree.key("choreo")
    assert key is not None
    span = key.span if isinstance(value, Text) and value.missing else value.span
    headline = f"`choreo` must be the version of the language, and {kind_of(value)} stands here"
    reading.error("wrong-type", headline, span, help=f"Write `choreo: {VERSION}`.")
    return True
