"""The numbers of requests, where a dialect counts them: one counter a node, and one for the broadcasts of a dialect."""

from collections import Counter


class Counters:
    """Shared by all drives of one bus. Each number is given once; a frame that is sent again gets another."""

    def __init__(self) -> None:
        self._given: Counter[tuple[str, int | None]] = Counter()

    def next(self, dialect: str, node: int | None, bits: int) -> int:
        """The number of the next request to `node`, or of the next broadcast with None; it wraps at `bits` bits."""
        number = self._given[dialect, node]
        self._given[dialect, node] += 1
        return number % (1 << bits)
