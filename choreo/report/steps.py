"""Each step: what was predicted, what it took, how near it came to its timeout."""

from collections.abc import Sequence
from dataclasses import dataclass

from choreo.journal import Journal, StepInfo


@dataclass(frozen=True, slots=True)
class StepRow:
    """
    One step. `outcome` is `done`, `failed`, `cut off` (begun, and the journal ends) or `not reached`.

    `begin_ns` and `end_ns` count from the start of the run. `slack_ns` is what was left of the timeout: below zero when
    it ran out. `polls` are position readings of all axes, `worst_reply_ns` the longest wait for a reply.
    """

    step: StepInfo
    outcome: str
    begin_ns: int | None = None
    end_ns: int | None = None
    taken_ns: int | None = None
    polls: int | None = None
    worst_reply_ns: int | None = None

    @property
    def slack_ns(self) -> int | None:
        """Timeout minus taken; None for a step that did not end."""
        return None if self.taken_ns is None else self.step.timeout_ns - self.taken_ns


def step_rows(journal: Journal) -> tuple[StepRow, ...]:
    """One row for each step of the recipe, in the order of execution."""
    begun = {record.fields["step"]: record.t_ns for record in journal.of("step_begin")}
    ended = {record.fields["step"]: record for record in journal.of("step_end")}
    rows = []
    for step in journal.steps:
        begin, end = begun.get(step.id), ended.get(step.id)
        if end is not None:
            fields = end.fields
            rows.append(
                StepRow(
                    step,
                    str(fields["outcome"]),
                    begin,
                    end.t_ns,
                    fields["taken_ns"],
                    fields["polls"],
                    fields["worst_reply_ns"],
                )
            )
        else:
            rows.append(StepRow(step, "not reached" if begin is None else "cut off", begin))
    return tuple(rows)


def step_at(rows: Sequence[StepRow], t_ns: int) -> StepInfo | None:
    """The step that was under way at a time of the run; None between, before and after steps."""
    for row in rows:
        if row.begin_ns is not None and row.begin_ns <= t_ns and (row.end_ns is None or t_ns <= row.end_ns):
            return row.step
    return None
