"""The named parts of a run: when each begins and ends, in the journal. Which step belongs to which, the plan says."""

from collections.abc import Sequence

from choreo.plan.model import Scope
from choreo.run.context import Run


def go_on_in(run: Run, scopes: Sequence[Scope]) -> None:
    """The next step belongs to `scopes`, outermost first: what it does not belong to has ended."""
    common = 0
    for (known, _), wanted in zip(run.scopes, scopes, strict=False):
        if known != wanted:
            break
        common += 1
    _end(run, common, "done")
    for scope in scopes[common:]:
        run.scopes.append((scope, run.session.now()))
        run.session.record("scope_begin", name=scope.name, path=scope.path)


def end_all(run: Run, outcome: str) -> None:
    """Nothing more comes: `outcome` is done or failed."""
    _end(run, 0, outcome)


def _end(run: Run, left: int, outcome: str) -> None:
    """The innermost first, until `left` are left."""
    while len(run.scopes) > left:
        scope, began_ns = run.scopes.pop()
        taken_ns = run.session.now() - began_ns
        run.session.record("scope_end", name=scope.name, path=scope.path, outcome=outcome, taken_ns=taken_ns)
