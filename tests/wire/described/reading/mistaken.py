"""The text of the shipped dialect, changed: what is found in it, and where."""

import re

from choreo.diagnostic import Refused
from choreo.text import compose, text_source
from choreo.wire.described import shipped_file
from choreo.wire.described.reading.loader import compile_dialect

TEXT = shipped_file("short_frame").read_text("utf-8")


def findings_of(text):
    source = text_source(text, "mine.yaml")
    try:
        compile_dialect(compose(source), source)
    except Refused as refused:
        return refused.findings
    return ()


def marked(text, mark):
    """The text under a mark."""
    span = mark.span
    return text.splitlines()[span.line - 1][span.column - 1 : span.column - 1 + span.length]


def changed(*changes):
    text = TEXT
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        text = text.replace(old, new)
    return text


def line_of(beginning):
    """A whole line, with its end."""
    (line,) = [line for line in TEXT.splitlines() if line.startswith(beginning)]
    return line + "\n"


def message(name):
    """The lines of a message."""
    return re.search(rf"(?m)^  {name}:.*\n(?:    .*\n)+", TEXT)[0]


def compiled(text):
    """The dialect of a text without mistakes."""
    source = text_source(text, "mine.yaml")
    return compile_dialect(compose(source), source)
