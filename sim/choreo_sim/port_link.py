"""A symbolic link to a pseudo-terminal, so that a port whose number nobody can know has a name that everybody knows."""

import os
from pathlib import Path

from choreo.errors import RecipeError

#: Where pseudo-terminals are: a link that points elsewhere is somebody else's.
PORTS = "/dev/"


class PortLink:
    """
    The link `path` to `port`, until `remove`.

    Raises RecipeError when there is something at `path` that is not such a link, or one whose port is there, or when
    it cannot be made. A link that was left behind, whose port is gone, is replaced.
    """

    def __init__(self, path: Path, port: str) -> None:
        self.path = path
        self._port = port
        try:
            if path.is_symlink():
                _remove_left_behind(path)
            os.symlink(port, path)
        except FileExistsError:
            help = "Choose another --port; nothing is overwritten but a link whose port is gone."
            raise RecipeError(f"--port {path} is there already", rule="port-link", help=help) from None
        except OSError as failure:
            what = f"--port {path} cannot be made: {failure.strerror}"
            raise RecipeError(what, rule="port-link", help="Choose a file in a folder that you may write to.") from None

    def remove(self) -> None:
        """Take the link away, unless it has become another's."""
        try:
            if os.readlink(self.path) == self._port:
                os.unlink(self.path)
        except OSError:
            return


def _remove_left_behind(path: Path) -> None:
    target = os.readlink(path)
    if not target.startswith(PORTS):
        help = "Choose another --port; nothing is overwritten but a link whose port is gone."
        raise RecipeError(f"--port {path} is a link to {target}, which is no port", rule="port-link", help=help)
    if os.path.exists(target):
        raise RecipeError(
            f"--port {path} is in use: it leads to {target}, and that port is there",
            rule="port-link",
            help="Choose another --port, or remove the link if no simulated machine serves it any more.",
        )
    os.unlink(path)
