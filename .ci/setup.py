"""
One command from a fresh clone: makes a virtual environment in .venv, installs the project there, does what is asked.

    python3 .ci/setup.py demo       install, then run the demo: the kiln-shelf gantry on a simulated bus
    python3 .ci/setup.py test       install with everything for development, then run the tests
    python3 .ci/setup.py install    install with everything for development

Further words are handed on: python3 .ci/setup.py test tests/journal. Needs nothing but Python; what is installed has
the versions of .ci/constraints.txt. CHOREO_VENV names another folder than .venv.
"""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CONSTRAINTS = Path(".ci") / "constraints.txt"  # from ROOT: pip takes a space for the end of a path
DEMO = "recipes/kiln_gantry/home_and_test.yaml"
LEAST = (3, 11)


def main(words):
    """Returns the exit code of what was run."""
    if sys.version_info < LEAST:
        running = ".".join(map(str, sys.version_info[:3]))
        return refuse("choreo needs Python 3.11 or newer; this is {} ({})".format(running, sys.executable))
    task, rest = (words[0] if words else ""), words[1:]
    if task == "demo":
        return run([installed(dev=False), "-m", "choreo", "dry-run", DEMO, *rest])
    if task == "test":
        # A process for each processor; what lies in one file stays together, because its tests share runs.
        return run([installed(dev=True), "-m", "pytest", "--numprocesses", "auto", "--dist", "loadfile", *rest])
    if task == "install" and not rest:
        installed(dev=True)
        return 0
    return refuse(__doc__.strip())


def installed(dev):
    """The interpreter of the environment, after making it and installing what is missing."""
    folder = Path(os.environ.get("CHOREO_VENV", ".venv"))
    folder = folder if folder.is_absolute() else ROOT / folder
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    stamps = {True: folder / "choreo-dev.stamp", False: folder / "choreo.stamp"}
    wanted = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + (ROOT / CONSTRAINTS).read_bytes()).hexdigest()
    enough = [stamps[True]] if dev else list(stamps.values())
    if python.exists() and any(stamp.is_file() and stamp.read_text() == wanted for stamp in enough):
        return str(python)
    if not python.exists():
        say("making {}".format(folder))
        if subprocess.call([sys.executable, "-m", "venv", str(folder)]):
            raise SystemExit(refuse("Python's venv module is missing; on some systems it is a package of its own"))
    say("installing the project and what it needs (a minute or two, once)")
    # Both names: which of the two reaches the build backend depends on the version of pip.
    pins = {"PIP_CONSTRAINT": str(CONSTRAINTS), "PIP_BUILD_CONSTRAINT": str(CONSTRAINTS)}
    pip = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    if subprocess.call([*pip, "--editable", ".[dev]" if dev else "."], cwd=ROOT, env=dict(os.environ, **pins)):
        raise SystemExit(refuse("the installation failed; what pip says stands above"))
    stamps[dev].write_text(wanted)
    return str(python)


def run(command):
    """Run in the project's folder; its exit code."""
    say(" ".join(["python", *command[1:]]))
    try:
        return subprocess.call(command, cwd=ROOT)
    except KeyboardInterrupt:  # the command was interrupted too, and has said so
        return 130


def say(text):
    """On standard error, so that standard output is that of the command."""
    print("[setup] " + text, file=sys.stderr, flush=True)


def refuse(text):
    """Exit code 2: nothing was done."""
    print(text, file=sys.stderr)
    return 2


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
