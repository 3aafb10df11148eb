"""What ends a wait in `select` from any thread and from a signal handler: a pair of sockets and a byte."""

import socket


class Waker:
    """`ear` becomes readable when `wake` was called, until `fall_asleep`."""

    def __init__(self) -> None:
        self._mouth, self.ear = socket.socketpair()
        self._mouth.setblocking(False)
        self.ear.setblocking(False)

    def wake(self) -> None:
        """End the wait. Takes no lock and never raises."""
        try:
            self._mouth.send(b"!")
        except OSError:  # full: it will wake all the same; closed: nobody waits any more
            return

    def fall_asleep(self) -> None:
        """Every call so far has been heard."""
        try:
            while len(self.ear.recv(4096)) == 4096:
                pass
        except BlockingIOError:
            return

    def close(self) -> None:
        """Nobody waits any more."""
        self._mouth.close()
        self.ear.close()
