"""Reading of files: what is no text, or no text that a reviewer can trust, is refused with one finding at its place."""

import hashlib
import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.diagnostic import Refused, Span
from choreo.text import Sources, read_text, text_source
from choreo.text.source import FORBIDDEN, MAX_BYTES


def refused(data, file="f.yaml"):
    with pytest.raises(Refused) as caught:
        text_source(data, file)
    (finding,) = caught.value.findings
    return finding, caught.value.lines


@pytest.mark.parametrize(
    ("data", "rule", "place"),
    [
        (b"a: 1\nb: \x00\n", "forbidden-character", Span("f.yaml", 2, 4)),
        (b"a\x00:\x00 \x001\x00", "forbidden-character", Span("f.yaml", 1, 2)),  # UTF-16 without its mark
        (b"\xff\xfea\x00:\x00", "wrong-encoding", Span("f.yaml", 1, 1)),
        (b"\xfe\xff\x00a\x00:", "wrong-encoding", Span("f.yaml", 1, 1)),
        (b"\xff\xfe\x00\x00a\x00\x00\x00", "wrong-encoding", Span("f.yaml", 1, 1)),
        (b"\x00\x00\xfe\xff\x00\x00\x00a", "wrong-encoding", Span("f.yaml", 1, 1)),
        ("a: 1\n\u00fc: x".encode("latin-1"), "wrong-encoding", Span("f.yaml", 2, 1)),
        ("\u00fc: 1\nok: caf\u00e9".encode() + b"\xe9", "wrong-encoding", Span("f.yaml", 2, 9)),
        (b"a: \xed\xa0\x80", "wrong-encoding", Span("f.yaml", 1, 4)),  # a lone surrogate
        (b"a: \xc0\xaf", "wrong-encoding", Span("f.yaml", 1, 4)),  # an overlong form
        (b"a: 1\r\nb: 2\x1b[31m", "forbidden-character", Span("f.yaml", 2, 5)),
        ("a: x\u202ey".encode(), "forbidden-character", Span("f.yaml", 1, 5)),
        ("a: x\u2028b: y".encode(), "forbidden-character", Span("f.yaml", 1, 5)),
        ("a: x\u0085".encode(), "forbidden-character", Span("f.yaml", 1, 5)),
        ("a: x\ufeff".encode(), "forbidden-character", Span("f.yaml", 1, 5)),
        (b"\x7fa: 1", "forbidden-character", Span("f.yaml", 1, 1)),
    ],
)
def test_what_is_no_plain_utf8_text_is_refused_at_its_place(data, rule, place):
    finding, _ = refused(data)
    assert finding.rule == rule
    assert finding.primary.span == place
    assert finding.help


def test_the_lines_of_a_refused_text_come_with_the_refusal():
    finding, lines = refused(b"first: 1\nsecond: \x01\n")
    assert lines["f.yaml"][finding.primary.span.line - 1] == "second: \x01"


def test_a_name_with_its_umlaut_in_another_encoding_says_the_byte():
    finding, _ = refused("# gr\u00fcn".encode("latin-1"))
    assert finding.headline == "the byte 0xFC is not UTF-8"


def test_a_file_may_be_as_large_as_allowed_and_no_larger():
    assert len(text_source(b"#" * MAX_BYTES, "f.yaml").text) == MAX_BYTES
    finding, _ = refused(b"#" * (MAX_BYTES + 1))
    assert finding.rule == "file-too-large"
    assert str(MAX_BYTES) in finding.headline


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_line_end_ends_a_line(end):
    source = text_source(f"a: 1{end}b: 2{end}{end}c: 3", "f.yaml")
    assert source.lines == ("a: 1", "b: 2", "", "c: 3")


def test_a_byte_order_mark_of_utf8_is_no_part_of_the_text():
    source = text_source(b"\xef\xbb\xbfa: 1\n", "f.yaml")
    assert source.text == "a: 1\n"
    assert source.lines[0] == "a: 1"


def test_the_hash_is_that_of_the_bytes(tmp_path):
    path = tmp_path / "r.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\r\n")
    # sha-256 as any tool computes it over the file, mark and line ends included (FIPS 180-4, through hashlib).
    assert read_text(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_file_is_called_as_it_was_named(tmp_path):
    path = tmp_path / "r.yaml"
    path.write_text("a: 1")
    assert read_text(path).file == str(path)
    assert read_text(path, "mine").file == "mine"


def test_what_cannot_be_opened_is_refused_with_one_line(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (tmp_path / "none.yaml", tmp_path, pipe, "/dev/zero", tmp_path / ("x" * 300), "a\0b"):
        with pytest.raises(Refused) as caught:
            read_text(path)
        (finding,) = caught.value.findings
        assert finding.rule == "unreadable-file"
        assert "\n" not in finding.headline


def test_sources_give_the_lines_by_file():
    sources = Sources(text_source("a\nb", "one"))
    sources.add(text_source("c", "two"))
    assert dict(sources) == {"one": ("a", "b"), "two": ("c",)}
    assert len(sources) == 2


def outcome(data):
    try:
        return text_source(data, "f")
    except Refused as refusal:
        return refusal


@given(st.binary(max_size=200))
def test_any_bytes_become_a_text_or_one_refusal(data):
    source = outcome(data)
    if isinstance(source, Refused):
        assert len(source.findings) == 1
        return
    assert source.text.encode() == data.removeprefix(b"\xef\xbb\xbf")
    assert FORBIDDEN.search(source.text) is None
    assert "".join(source.lines) == source.text.replace("\r", "").replace("\n", "")
