"""What a run leaves, and which folders it may use."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo.journal import JournalWriter, prepare_folder, slug


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Square and exercise the kiln-shelf gantry", "square-and-exercise-the-kiln-shelf-gantry"),
        ("  Übung №1: Auf/Ab! ", "ubung-no1-auf-ab"),
        ("../../etc/passwd", "etc-passwd"),
        ("NUL", "nul-run"),
        ("com7", "com7-run"),
        ("x" * 200, "x" * 60),
    ],
)
def test_a_title_becomes_a_plain_folder_name(title, name):
    assert slug(title) == name


def test_titles_without_latin_letters_get_names_of_their_own():
    assert re.fullmatch(r"run-[0-9a-f]{8}", slug("棚板を運ぶ"))
    assert slug("棚板を運ぶ") != slug("棚板を置く")


@given(st.text())
def test_any_title_gives_a_name_that_every_file_system_takes(title):
    assert re.fullmatch(r"[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?", slug(title))


def test_a_new_folder_is_made_with_its_parents(tmp_path):
    folder = prepare_folder(tmp_path / "runs" / "one")
    assert folder.path.is_dir()
    assert folder.journal == tmp_path / "runs" / "one" / "journal.jsonl"


def test_a_folder_of_an_earlier_run_is_used_again_and_keeps_what_is_not_ours(tmp_path):
    for name in ("journal.jsonl", "trace.log", "summary.json", "crash.txt", "guardian.json", "my notes.txt"):
        (tmp_path / name).write_text("old")
    prepare_folder(tmp_path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["my notes.txt"]


def test_a_foreign_folder_is_left_alone(tmp_path):
    (tmp_path / "trace.log").write_text("somebody else's")
    with pytest.raises(RecipeError, match="no journal of a run"):
        prepare_folder(tmp_path)
    assert (tmp_path / "trace.log").read_text() == "somebody else's"


def test_a_link_in_place_of_the_journal_is_taken_away_and_not_followed(tmp_path):
    precious = tmp_path / "precious.txt"
    precious.write_text("keep")
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "journal.jsonl").symlink_to(precious)
    prepare_folder(folder).journal.write_text("new")
    assert precious.read_text() == "keep"


def test_a_file_where_the_folder_should_be_is_the_users_error(tmp_path):
    (tmp_path / "runs").write_text("a file")
    with pytest.raises(RecipeError, match="cannot be used for a run"):
        prepare_folder(tmp_path / "runs" / "one")


@pytest.mark.parametrize("title", ["a", 'mode":"dry-run'])
def test_what_a_real_run_left_is_never_overwritten(tmp_path, title):
    # It may be going on: whoever stops or watches it reads this very file.
    with JournalWriter(tmp_path / "journal.jsonl") as journal:
        journal.write("run", 0, journal=1, choreo="0", mode="live", title=title)
    with pytest.raises(RecipeError, match="never overwritten"):
        prepare_folder(tmp_path)
    assert (tmp_path / "journal.jsonl").read_text().endswith("\n")


def test_what_a_dry_run_left_is_whatever_its_title_says(tmp_path):
    with JournalWriter(tmp_path / "journal.jsonl") as journal:
        journal.write("run", 0, journal=1, choreo="0", mode="dry-run", title='mode":"live')
    prepare_folder(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_run_that_was_refused_after_its_rehearsal_may_use_the_folder_again(tmp_path):
    (tmp_path / "rehearsal").mkdir()
    assert prepare_folder(tmp_path).rehearsal.is_dir()
