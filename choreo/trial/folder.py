"""What a trial leaves when it is asked to: its figures, and beside them the folders of the runs worth a look."""

from pathlib import Path

from choreo.errors import RecipeError
from choreo.trial.conduct import Trial
from choreo.trial.words import trial_json

FIGURES = "trial.json"


def prepare_trial_folder(path: Path) -> None:
    """
    Make the folder; one of an earlier trial is used again, any other with something in it is left alone.

    Raises:
        RecipeError: the folder holds something else, or cannot be made.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
        names = {entry.name for entry in path.iterdir()}
        if names and FIGURES not in names:
            raise RecipeError(
                f"the folder {path} holds something and no figures of a trial",
                rule="foreign-folder",
                help="Name an empty or a new folder with --out.",
            )
        (path / FIGURES).write_text("{}\n", encoding="utf-8", newline="\n")  # from now on it is a trial's
    except OSError as error:
        raise _unusable(path, error) from error


def keep_figures(path: Path, trial: Trial) -> None:
    """Write them. RecipeError when the folder takes nothing."""
    try:
        text = trial_json(trial, lambda seed: f"--seed {seed}")
        (path / FIGURES).write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise _unusable(path, error) from error


def run_folder(path: Path, seed: int) -> Path:
    """Where the run of a seed is kept."""
    return path / f"seed-{seed}"


def _unusable(path: Path, error: OSError) -> RecipeError:
    return RecipeError(
        f"the folder {path} cannot be used for a trial: {error.strerror}",
        rule="trial-folder",
        help="Name another folder with --out.",
    )
