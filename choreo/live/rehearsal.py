"""A dry-run of exactly what is about to run: found where one was made before, or made now."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from choreo import __version__
from choreo.api import RunResult, dry_run
from choreo.errors import ChoreoError, RecipeError
from choreo.journal import RunFolder, read_journal, slug
from choreo.journal.exact import exact
from choreo.plan.model import Plan
from choreo.report import Summary, summarise


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """Its run folder, its figures, and whether it was made now."""

    folder: Path
    summary: Summary
    new: bool


def rehearsed(plan: Plan, path: Path, overrides: Mapping[str, str], pace: Fraction, own: Path) -> Rehearsal:
    """
    The rehearsal of this plan: the default folder of its dry-runs if that holds one of exactly this recipe, machine,
    dialects, parameters and pace, by this choreo and without faults; otherwise a new one in the folder `own`.

    Raises:
        RecipeError: the rehearsal does not end well, so that the real run is refused.
    """
    usual = Path("runs") / slug(plan.title)
    earlier = _good(usual, plan)
    if earlier is not None:
        return Rehearsal(usual, earlier, new=False)
    return rehearsal_of(plan, dry_run(path, overrides, pace=pace, out=own))


def rehearsal_of(plan: Plan, result: RunResult) -> Rehearsal:
    """
    A dry-run that was made now for this plan.

    Raises:
        RecipeError: it did not end well, or a file was changed meanwhile.
    """
    summary, own = result.summary, result.folder.path
    if summary.exit != 0:
        raise RecipeError(
            f"the rehearsal did not end well: {summary.outcome}",
            rule="rehearsal",
            help=f"Nothing was sent. `choreo dry-run` shows it; its run folder is {own}.",
        )
    if not _same(summary, plan):
        raise RecipeError(
            "a file of the recipe was changed while it was being rehearsed",
            rule="rehearsal",
            help="Nothing was sent. Begin again.",
        )
    return Rehearsal(own, summary, new=True)


def _good(folder: Path, plan: Plan) -> Summary | None:
    """The figures of a dry-run that stands for this plan; None where there is none."""
    files = RunFolder(folder)
    if not files.journal.is_file() or files.faults.exists():
        return None
    try:
        summary = summarise(read_journal(files.journal))
    except (ChoreoError, OSError):
        return None
    good = summary.mode == "dry-run" and summary.exit == 0 and summary.choreo == __version__
    return summary if good and _same(summary, plan) else None


def _same(summary: Summary, plan: Plan) -> bool:
    """Whether it was made of the same content."""
    return (
        summary.hashes == plan.hashes
        and summary.parameters == plan.parameters
        and summary.pace == exact(plan.pace)
        and [row.step.path for row in summary.steps] == [step.path for step in (*plan.steps, *plan.closing)]
    )
