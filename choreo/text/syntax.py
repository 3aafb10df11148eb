"""What the YAML parser complains of, in the words of somebody who writes recipes."""

from __future__ import annotations

from ruamel.yaml.error import MarkedYAMLError, YAMLError

from choreo.diagnostic.finding import Finding, Mark, Span
from choreo.diagnostic.refusal import Refused
from choreo.text.source import Source, within

# By a piece of the parser's own text: what is wrong, what to do.
_IN_WORDS = (
    ("expected ',' or '}'", "a `,` or the closing `}` is missing before this", "Close the brace, or put a comma."),
    ("expected ',' or ']'", "a `,` or the closing `]` is missing before this", "Close the bracket, or put a comma."),
    (
        "mapping values are not allowed",
        "a `key: value` cannot begin here",
        "Put a text that holds a colon into quotes; put keys of one mapping into one column.",
    ),
    ("could not find expected ':'", "a key without its colon stands before this", "Write `key: value`, with a colon."),
    (
        "did not find expected key",
        "this fits no mapping around it",
        "Put all keys of one mapping into the same column.",
    ),
    ("did not find expected '-' indicator", "this fits no list around it", "Put the dashes of a list into one column."),
    ("block sequence entries are not allowed", "a list cannot begin here", "Put the `-` onto a line of its own."),
    ("unexpected end of stream", "the file ends inside a text in quotes", "Close the quotes."),
    ("unknown escape character", "this escape is not known in a text in double quotes", "Use single quotes."),
    ("expected <document start>", "something follows after the end of the document", "Write one document in one file."),
    ("undefined alias", "an alias stands here, and aliases are not used", "Write the value out."),
)


def unreadable(problem: YAMLError, source: Source) -> Refused:
    """The refusal for what the parser raised: one finding at the place where it gave up."""
    if not isinstance(problem, MarkedYAMLError) or problem.problem_mark is None:
        place = Span(source.file, 1, 1)
        return Refused(
            [Finding("yaml-syntax", f"this is not YAML: {problem}", Mark(place))], {source.file: source.lines}
        )
    mark = problem.problem_mark
    place = within(Span(source.file, mark.line + 1, mark.column + 1), source.lines)
    headline, help = _words(" ".join((problem.problem or "").split()), _character(source, place))
    others: tuple[Mark, ...] = ()
    begun = problem.context_mark
    if begun is not None and (begun.line, begun.column) != (mark.line, mark.column):
        others = (Mark(Span(source.file, begun.line + 1, begun.column + 1), "begun here"),)
    return Refused([Finding("yaml-syntax", headline, Mark(place), others, help=help)], {source.file: source.lines})


def _character(source: Source, place: Span) -> str:
    return source.lines[place.line - 1][place.column - 1 : place.column]


def _words(text: str, character: str) -> tuple[str, str]:
    if "cannot start any token" in text:
        if character == "\t":
            return "a tab stands here, where YAML wants spaces", "Indent with spaces."
        return f"a value cannot begin with `{character}`", "Put the text into quotes."
    for piece, headline, help in _IN_WORDS:
        if piece in text:
            return headline, help
    return f"this is not YAML: {text or 'the parser does not say why'}", ""
