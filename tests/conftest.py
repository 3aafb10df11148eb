"""
Shared by all tests. That this file stands here puts `tests/` on the import path, so that a test can say
`from vectors import table`.
"""

import signal
from collections.abc import Iterator

import pytest
from hypothesis import settings

from listener.listener import Listener

# Every run tries the same examples, and no example is judged by how long it takes.
settings.register_profile("suite", deadline=None, derandomize=True)
settings.load_profile("suite")


# A shell that starts the tests in the background lets them ignore Ctrl-C, and what is ignored stays ignored in a run.
for name, usual in (
    ("SIGINT", signal.default_int_handler), ("SIGTERM", signal.SIG_DFL), ("SIGHUP", signal.SIG_DFL)
):  # fmt: skip
    number = getattr(signal, name, None)
    if number is not None and signal.getsignal(number) is signal.SIG_IGN:
        signal.signal(number, usual)


@pytest.fixture(scope="session", autouse=True)
def apart(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No process of choreo's outside of these tests is found by one of theirs, stopped by it, or in its way."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("running")))
        yield


@pytest.fixture(autouse=True)
def listeners() -> Iterator[list[Listener]]:
    """
    An independent listener on every simulated bus that the test opens. The test fails when the host sent something that
    it must not. A test that breaks the rules on purpose says so with `listeners[...].forgive()`.
    """
    from choreo_sim.link import observers

    hung: list[Listener] = []

    def hang(link: object) -> None:
        hung.append(Listener(link))

    observers.append(hang)
    yield hung
    observers.remove(hang)
    found = [str(violation) for listener in hung for violation in listener.violations()]
    assert not found, "the listener on the bus found:\n" + "\n".join(found[:20])
