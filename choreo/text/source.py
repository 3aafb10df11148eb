"""
Reading a file into text that can be trusted to be text: size, encoding and characters are checked here, once.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from choreo.diagnostic.finding import Finding, Mark, Span
from choreo.diagnostic.refusal import Refused

#: The largest file that is read, in bytes. 10,000 steps are about 1 MB.
MAX_BYTES = 4_000_000

_BREAK = re.compile(r"\r\n|\r|\n")

#: Control characters; the other line ends of Unicode, by which an editor and a parser count lines differently;
#: characters that turn the direction of writing, so that a reviewer reads another order than the parser does.
FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff\ufffe\uffff]")

_OTHER_ENCODINGS = (
    (b"\xff\xfe\x00\x00", "UTF-32"),
    (b"\x00\x00\xfe\xff", "UTF-32"),
    (b"\xff\xfe", "UTF-16"),
    (b"\xfe\xff", "UTF-16"),
)


@dataclass(frozen=True, slots=True)
class Source:
    """One text: `file` as it was named and as spans name it, its lines without their ends, the sha-256 of its bytes."""

    file: str
    text: str
    lines: tuple[str, ...]
    sha256: str


def within(span: Span, lines: Sequence[str]) -> Span:
    """A place behind the last line, where a parser may see the end of a file, is the end of the last line."""
    if span.line <= len(lines):
        return span
    return Span(span.file, len(lines), len(lines[-1]) + 1)


class Sources(Mapping[str, tuple[str, ...]]):
    """The texts of one reading. As a mapping: the lines by file, which is what a rendering wants."""

    def __init__(self, *sources: Source) -> None:
        self._sources = {source.file: source for source in sources}

    def add(self, source: Source) -> None:
        """Keep one more; a file of the same name is replaced."""
        self._sources[source.file] = source

    def __getitem__(self, file: str) -> tuple[str, ...]:
        return self._sources[file].lines

    def __iter__(self) -> Iterator[str]:
        return iter(self._sources)

    def __len__(self) -> int:
        return len(self._sources)


def read_text(path: str | Path, name: str | None = None) -> Source:
    """
    Read a file. Spans and findings call it `name`, by default the path as given.

    Raises Refused (with one finding) when it cannot be read, is no regular file, is larger than `MAX_BYTES`, is not
    UTF-8, or holds characters that have no business in it.
    """
    file = str(path) if name is None else name
    try:
        with open(path, "rb", opener=_regular) as stream:
            data = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as problem:  # ValueError: a NUL in the path
        what = getattr(problem, "strerror", None) or str(problem)
        raise Refused([Finding("unreadable-file", f"{file} cannot be read: {what}")]) from None
    return text_source(data, file)


def _regular(path: str, flags: int) -> int:
    """Opens regular files only: a pipe would wait for ever, a device would never end."""
    import os

    if not stat.S_ISREG(os.stat(path).st_mode):
        raise OSError(0, "it is not a regular file", path)
    return os.open(path, flags)


def text_source(data: bytes | str, file: str) -> Source:
    """The same checks on bytes (or text) that are already here. Raises Refused."""
    if isinstance(data, str):
        data = data.encode("utf-8", "surrogatepass")
    if len(data) > MAX_BYTES:
        headline = f"the file is larger than {MAX_BYTES} bytes"
        raise _refused(
            "file-too-large", headline, Span(file, 1, 1), (), "Split it, or write what repeats with `repeat`."
        )
    text = _decoded(data, file)
    lines = tuple(_BREAK.split(text))
    found = FORBIDDEN.search(text)
    if found:
        raise _forbidden(found, text, file, lines)
    return Source(file, text, lines, sha256(data).hexdigest())


def _decoded(data: bytes, file: str) -> str:
    for mark, encoding in _OTHER_ENCODINGS:
        if data.startswith(mark):
            headline = f"the file is written in {encoding}, and UTF-8 is wanted"
            raise _refused("wrong-encoding", headline, Span(file, 1, 1), (), "Save it as UTF-8.")
    data = data.removeprefix(b"\xef\xbb\xbf")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as problem:
        shown = tuple(_BREAK.split(data.decode("utf-8", "replace")))
        span = _place(data[: problem.start].decode("utf-8", "replace"), file)
        headline = f"the byte 0x{data[problem.start]:02X} is not UTF-8"
        raise _refused("wrong-encoding", headline, span, shown, "Save the file as UTF-8.") from None


def _forbidden(found: re.Match[str], text: str, file: str, lines: tuple[str, ...]) -> Refused:
    code = ord(found[0])
    span = _place(text[: found.start()], file)
    if code == 0:
        headline, help = "the file holds a NUL byte", "It is not a text file, or it is UTF-16: save it as UTF-8."
    else:
        headline = f"the file holds the character U+{code:04X}, which cannot be seen and is not allowed"
        help = "Delete it; a tab, a line feed or a carriage return is allowed."
    return _refused("forbidden-character", headline, span, lines, help)


def _place(before: str, file: str) -> Span:
    """Where the text goes on after `before`."""
    lines = _BREAK.split(before)
    return Span(file, len(lines), len(lines[-1]) + 1)


def _refused(rule: str, headline: str, span: Span, lines: tuple[str, ...], help: str) -> Refused:
    return Refused([Finding(rule, headline, Mark(span), help=help)], {span.file: lines})
