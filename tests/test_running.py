"""Announcements: who is found, who is not, and that nobody has a bus or a machine twice."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from choreo.errors import RecipeError
from choreo.running import announced, find, same_bus

#: Announces itself, says so, and waits to be told to end.
PROGRAM = """
import sys
from pathlib import Path
from choreo.errors import RecipeError
from choreo.running import announced
try:
    with announced(sys.argv[1], sys.argv[2], Path(sys.argv[3])):
        print("announced", flush=True)
        sys.stdin.read()
except RecipeError as refused:
    print(refused.rule, flush=True)
    sys.stdin.read()
"""


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    return tmp_path / "choreo"


def started(machine: str, bus: str, folder: Path = Path("runs/x")) -> "subprocess.Popen[str]":
    words = [sys.executable, "-c", PROGRAM, machine, bus, str(folder)]
    return subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


@contextmanager
def other(machine: str, bus: str) -> "Iterator[subprocess.Popen[str]]":
    """Another process that has announced itself."""
    process = started(machine, bus)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "announced\n"
        yield process
    finally:
        process.kill()
        process.communicate(timeout=60)


def test_a_live_process_is_found_by_machine_and_by_bus() -> None:
    with announced("gantry", "slcan:/dev/null@115200", Path("runs/now")):
        (found,) = find()
        assert (found.pid, found.machine, found.bus) == (os.getpid(), "gantry", "slcan:/dev/null@115200")
        assert found.folder == Path.cwd() / "runs/now"
        assert find(machine="gantry", bus="slcan:/dev/null") == [found]
        assert find(machine="lift") == find(bus="slcan:/dev/zero") == find(machine="gantry", bus="x:y") == []
    assert find() == []


def test_another_process_is_found_until_it_ends() -> None:
    with other("gantry", "socketcan:can0") as process:
        assert [one.pid for one in find(machine="gantry")] == [process.pid]
        process.communicate("", timeout=60)
        assert find() == []


def test_what_a_killed_process_left_counts_for_nothing(place: Path) -> None:
    with other("gantry", "socketcan:can0") as process:
        process.send_signal(signal.SIGKILL)
        process.wait(60)
        assert [file.name for file in place.glob("*.json")], "the killed process left nothing: this shows nothing"
        assert find() == []
        assert list(place.glob("*.json")) == []
        with announced("gantry", "socketcan:can0", Path()):
            assert [one.pid for one in find()] == [os.getpid()]


def test_a_halted_process_is_alive() -> None:
    with other("gantry", "socketcan:can0") as process:
        process.send_signal(signal.SIGSTOP)
        assert [one.pid for one in find()] == [process.pid]


@pytest.mark.parametrize(
    ("machine", "bus"),
    [("gantry", "socketcan:can1"), ("table", "socketcan:can0"), ("table", "SocketCAN:can0")],
)
def test_nobody_has_a_machine_or_a_bus_twice(machine: str, bus: str) -> None:
    with other("gantry", "socketcan:can0") as process:
        with pytest.raises(RecipeError, match=str(process.pid)) as refused, announced(machine, bus, Path()):
            pass
        assert refused.value.rule == "already-running"
        assert len(find()) == 1
        with announced("table", "socketcan:can1", Path()):
            assert len(find()) == 2


def test_a_device_is_one_bus_by_every_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    link = tmp_path / "by-id"
    link.symlink_to("/dev/null")
    assert same_bus("slcan:/dev/null@115200", f"slcan:{link}")
    monkeypatch.chdir(tmp_path)
    assert same_bus("slcan:/dev/null", "slcan:by-id")
    assert not same_bus("slcan:/dev/null", "slcan:/dev/zero")
    assert not same_bus("socketcan:can0", "virtual:can0")


def test_of_several_at_the_same_moment_one_gets_the_bus() -> None:
    processes = [started(f"machine {number}", "socketcan:can0") for number in range(4)]
    try:
        words = sorted(process.stdout.readline().strip() for process in processes if process.stdout is not None)
        assert words == ["already-running"] * 3 + ["announced"]
    finally:
        for process in processes:
            process.kill()
            process.communicate(timeout=60)


def test_a_folder_that_others_may_enter_is_not_trusted(place: Path) -> None:
    with announced("gantry", "socketcan:can0", Path()):
        place.chmod(0o755)
        assert find() == []
    with pytest.raises(RecipeError) as refused, announced("gantry", "socketcan:can0", Path()):
        pass
    assert refused.value.rule == "no-announcement"
    place.chmod(0o700)
    with announced("gantry", "socketcan:can0", Path()):
        assert len(find()) == 1


def test_a_link_in_the_place_of_the_folder_is_not_followed(place: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir(mode=0o700)
    place.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(RecipeError), announced("gantry", "socketcan:can0", Path()):
        pass
    assert find() == []


@pytest.mark.parametrize(
    "text",
    [
        "",
        "nothing",
        "[]",
        '{"pid": 1, "machine": "m", "bus": "b:c", "folder": "/"}',
        '{"pid": -1, "machine": "m", "bus": "b:c", "folder": "/"}',
        '{"pid": 1e400, "machine": "m", "bus": "b:c", "folder": "/"}',
        '{"pid": 99999999999999999999, "machine": "m", "bus": "b:c", "folder": "/"}',
        '{"pid": "me", "machine": "m", "bus": "b:c", "folder": "/"}',
        '{"machine": "m"}',
    ],
)
def test_what_is_no_announcement_is_left_alone(place: Path, text: str) -> None:
    import fcntl

    place.mkdir(mode=0o700)
    with (place / "odd.json").open("w") as file:
        file.write(text)
        file.flush()
        fcntl.flock(file, fcntl.LOCK_EX)  # as a live process holds it
        assert find() == []
    assert find() == []


def test_nothing_is_found_where_nobody_ever_announced_himself() -> None:
    assert find() == []


def test_a_process_that_hangs_while_it_announces_itself_is_not_waited_for(place: Path) -> None:
    import fcntl

    place.mkdir(mode=0o700)
    with (place / "lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        with pytest.raises(RecipeError) as refused, announced("gantry", "x:y", Path(), patience_s=0.0):
            pass
    assert refused.value.rule == "no-announcement"
