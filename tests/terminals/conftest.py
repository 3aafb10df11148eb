"""One folder with a rehearsal of the slides in it, so that each run here starts at once."""

import shutil
from pathlib import Path

import pytest

from choreo.api import dry_run
from choreo.journal import slug
from terminals.terminals import SLIDES


@pytest.fixture(scope="session")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run folder of a dry-run of the slides."""
    folder = tmp_path_factory.mktemp("rehearsed") / "run"
    assert dry_run(SLIDES, out=folder).outcome.exit == 0
    return folder


@pytest.fixture
def here(tmp_path: Path, rehearsed: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder that both terminals are in; announcements of other tests are not seen there."""
    shutil.copytree(rehearsed, tmp_path / "runs" / slug("Two slides to and fro"))
    (tmp_path / "announced").mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "announced"))
    return tmp_path
