"""The near miss: what somebody probably meant."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice

#: How alike two words must be (0 to 1). At 0.6 `speeed` finds `speed` and `carriage` does not find `beam`.
ALIKE = 0.6
#: Names beyond this length, and names after so many, are not compared: a hostile file cannot make it take long.
LONGEST = 60
MOST = 500
#: So many known names are listed when none is near.
LISTED = 20


def near_miss(word: str, known: Iterable[str]) -> str | None:
    """The one of `known` that `word` most probably stands for; None when nothing is near."""
    from difflib import get_close_matches

    if len(word) > LONGEST:
        return None
    spellings: dict[str, str] = {}
    for name in islice(known, MOST):
        spellings.setdefault(name.casefold().replace("-", "_"), str(name))
    found = get_close_matches(word.casefold().replace("-", "_"), spellings, n=1, cutoff=ALIKE)
    return spellings[found[0]] if found else None


def did_you_mean(word: str, known: Iterable[str], otherwise: str = "") -> str:
    """`Did you mean speed?`, or what to do otherwise: by default a list of what is known."""
    names = list(known)
    near = near_miss(word, names)
    if near is not None:
        return f"Did you mean `{near}`?"
    if otherwise:
        return otherwise
    more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
    return f"Known here: {', '.join(names[:LISTED])}{more}." if names else ""
