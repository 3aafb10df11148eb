"""The one place where what a command raises becomes words and an exit code."""

import os
import platform
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from choreo import __version__
from choreo.errors import ChoreoError, Exit, InternalError

LIBRARIES = ("pydantic", "ruamel.yaml", "ruamel.yaml.clib", "python-can", "ruckig", "rich")


def guarded(command: Callable[[], int], words: Sequence[str]) -> int:
    """
    Run a command and answer for whatever it raises.

    A traceback is never shown: that of a bug goes into a file, whose name is said.
    """
    try:
        code = command()
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        abandon_stdout()
        return Exit.OPERATOR
    except KeyboardInterrupt:
        say("interrupted")
        return Exit.OPERATOR
    except InternalError as bug:
        return report_bug(bug, words)
    except ChoreoError as error:
        show_error(error)
        return error.exit
    except Exception as bug:  # noqa: BLE001  the last resort
        return report_bug(bug, words)


def show_error(error: ChoreoError) -> None:
    """What is wrong and what to do, on standard error; the findings with their source lines where there are any."""
    from choreo.diagnostic import Refused

    if isinstance(error, Refused):
        from choreo.diagnostic.render import full_text

        print(full_text(error.findings, error.lines), file=sys.stderr, end="")
        return
    say(error.headline)
    if error.help:
        print(f"  {error.help}", file=sys.stderr)


def say(text: str) -> None:
    """One line of our own on standard error."""
    print(f"choreo: {text}", file=sys.stderr)


def report_bug(bug: BaseException, words: Sequence[str], path: Path | None = None) -> int:
    """Say that choreo is wrong, with versions and the place of the crash file. Returns the exit code."""
    where = _write_crash(bug, words, path)
    say(f"a bug in choreo, not in the recipe or the machine: {_headline(bug)}")
    print(f"  {versions()}", file=sys.stderr)
    if where is not None:
        print(f"  Please report it with the file {where}", file=sys.stderr)
    return Exit.INTERNAL


def versions() -> str:
    """choreo, Python and the platform, in one line."""
    return f"choreo {__version__}, Python {platform.python_version()}, {platform.platform()}"


def _headline(bug: BaseException) -> str:
    return bug.headline if isinstance(bug, ChoreoError) else f"{type(bug).__name__}: {bug}"


def _write_crash(bug: BaseException, words: Sequence[str], path: Path | None) -> Path | None:
    """Everything that a report of the bug needs, in `path` or a new file of the system's temporary folder."""
    import tempfile
    import traceback

    text = "\n".join(
        (
            f"a bug in choreo: {_headline(bug)}",
            versions(),
            ", ".join(f"{name} {_version(name)}" for name in LIBRARIES),
            f"arguments: {list(words)}",
            "",
            "".join(traceback.format_exception(bug)),
        )
    )
    try:
        if path is None:
            handle, name = tempfile.mkstemp(prefix="choreo-crash-", suffix=".txt")
            os.close(handle)
            path = Path(name)
        path.write_text(text, encoding="utf-8", errors="backslashreplace")
    except OSError:
        print(text, file=sys.stderr)  # nowhere to write: better on the screen than lost
        return None
    return path


def _version(library: str) -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(library)
    except PackageNotFoundError:
        return "not installed"


def abandon_stdout() -> None:
    """Whoever read our output has gone; the interpreter must not try to flush it once more at its end."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):  # a stream without a descriptor, as in tests
        return
