"""Work for crews in tests: what their processes import by name."""

import os
import signal
from pathlib import Path

from choreo.errors import RecipeError


def squares(argument):
    return lambda number: (number * number, argument)


def uneven(argument):
    """Every other piece takes much longer: whoever is given it comes last."""

    def work(number):
        if number % 2:
            total = sum(range(200_000))
            return number + 0 * total
        return number

    return work


def broken(argument):
    def work(number):
        if number == 3:
            raise ValueError("three")
        return number

    return work


def deadly(argument):
    def work(number):
        if number in (2, 5):
            os.kill(os.getpid(), signal.SIGKILL)
        return number

    return work


def stillborn(argument):
    os._exit(7)


def refused(argument):
    raise RecipeError("the recipe has gone", rule="changed", help="Look for it.")


def counted(argument):
    """Leaves a file whenever the work is made."""
    folder = Path(argument)
    (folder / str(os.getpid())).write_text("made")
    return lambda number: os.getpid()


def endless(argument):
    """Says in a file which process it is, and never ends by itself."""
    folder = Path(argument)

    def work(number):
        if number:
            (folder / str(os.getpid())).write_text("at work")
            while True:
                signal.pause()
        return number

    return work
