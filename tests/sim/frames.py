"""Frames for property tests."""

from hypothesis import strategies as st

from choreo.frame import Frame


def identifiers(extended: bool) -> st.SearchStrategy[int]:
    """Any identifier; hypothesis likes the extremes, where long runs of equal bits are."""
    return st.integers(0, (1 << 29) - 1 if extended else (1 << 11) - 1)


# Long runs and runs that end just so are where stuffing goes wrong.
RUNS = st.sampled_from([0x00, 0xFF, 0x0F, 0xF0, 0x1E, 0x78, 0x87, 0xE1, 0xC3, 0x3C, 0x07, 0xF8, 0x1F, 0xE0])
DATA = st.one_of(st.binary(max_size=8), st.lists(RUNS, max_size=8).map(bytes))


@st.composite
def frames(draw: st.DrawFn, *, extended: bool | None = None) -> Frame:
    """Data and remote frames of both formats."""
    long = draw(st.booleans()) if extended is None else extended
    remote = draw(st.booleans())
    return Frame(draw(identifiers(long)), b"" if remote else draw(DATA), long, remote)
