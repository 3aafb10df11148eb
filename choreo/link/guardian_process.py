"""
The guardian's own process: `python -I -S guardian_process.py WHAT`, with nothing but the standard library.

WHAT is a JSON object: `descriptor` (the adapter's, shared), `alive` (the reading end of a pipe from the session),
`opening` and `stops` (bytes in hexadecimal), `note` (a file), `silence_s`, `again` and `apart_s`.

It waits for beats. The farewell byte ends it without a word. The end of the pipe without one means that the session was
killed, silence that it was halted: then it writes the stops, again and again, leaves a note, and says so once. It takes
no part in the terminal's signals: whoever kills the session from there must not kill its guardian as well.
"""

import contextlib
import errno
import json
import os
import select
import signal
import sys
import time
from typing import Any

#: What the session writes: it lives; it is done; it cannot send any more. And what it reads: the guardian is there.
BEAT, FAREWELL, HELPLESS, READY = b".", b"!", b"?", b"R"
#: Exit codes: farewell; stopped the machine; could not.
QUIET, ACTED, FAILED = 0, 3, 4
#: How long a stop may wait for room in the adapter.
ROOM_S = 0.02
#: How long what it did may wait for a terminal that takes nothing.
SAYING_S = 1.0


def main() -> int:
    """Watch until the session ends, one way or another."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGTTOU", "SIGTTIN", "SIGPIPE"):
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    what = json.loads(sys.argv[1])
    os.fstat(what["descriptor"])  # raises, and there is no handshake, if it was not passed on
    os.write(1, READY)
    os.close(1)
    why = watch(what["alive"], what["silence_s"])
    if not why:
        return QUIET
    seen = time.monotonic()
    sent, trouble = stop(what, seen)
    os.close(what["alive"])  # a session that goes on learns of it at once, whatever a disk or a terminal takes
    outcome = leave_note(what, why, sent, trouble, seen)
    say(f"\nchoreo's guardian: {why}; {outcome}\n")
    return ACTED if sent else FAILED


def say(text: str) -> None:
    """On standard error, unless a halted terminal or a full pipe would not let go of it."""
    with contextlib.suppress(OSError, ValueError):
        if select.select([], [2], [], SAYING_S)[1]:
            os.write(2, text.encode())


def watch(alive: int, silence_s: float) -> str:
    """Why the machine must be stopped; empty when the session said farewell. Silence counts from the first beat on."""
    patience_s = None
    while True:
        readable, _, _ = select.select([alive], [], [], patience_s)
        if not readable:
            return f"nothing was heard of choreo for {silence_s:g} s"
        came = os.read(alive, 4096)
        if FAREWELL in came:
            return ""
        if HELPLESS in came:
            return "choreo itself could reach the machine no more"
        if not came:
            return "choreo ended without having said that it is done"
        patience_s = silence_s


def stop(what: dict[str, Any], seen: float) -> tuple[list[float], str]:
    """Write the stops; when each writing was done, in seconds after `seen`, and what went wrong last."""
    frames = b"".join(bytes.fromhex(frame) for frame in what["stops"])
    packets = [bytes.fromhex(frame) for frame in what["stops"]] if what["packets"] else [frames]
    sent, trouble, opening = [], "", bytes.fromhex(what["opening"])
    for number in range(1 + what["again"]):
        if number:
            time.sleep(max(0.0, seen + number * what["apart_s"] - time.monotonic()))
        try:
            for packet in packets:
                write(what["descriptor"], opening + packet)
            sent.append(round(time.monotonic() - seen, 4))
        except OSError as failure:
            trouble = f"{errno.errorcode.get(failure.errno or 0, '')} {failure.strerror or failure}".strip()
            if failure.errno not in (errno.EAGAIN, errno.ENOBUFS):
                break
    return sent, trouble


def write(descriptor: int, data: bytes) -> None:
    """Write all of it, although the descriptor may not block. What waits in a line that takes nothing is dropped."""
    flushed = False
    while data:
        if not select.select([], [descriptor], [], ROOM_S)[1]:
            if flushed:
                raise OSError(errno.EAGAIN, "the adapter takes nothing")
            flushed = True
            flush(descriptor)
            continue
        with contextlib.suppress(BlockingIOError):
            data = data[os.write(descriptor, data) :]


def flush(descriptor: int) -> None:
    """Drop what was given to a serial line and has not left: it was to move something, perhaps."""
    import termios

    with contextlib.suppress(termios.error, OSError):
        termios.tcflush(descriptor, termios.TCOFLUSH)


def leave_note(what: dict[str, Any], why: str, sent: list[float], trouble: str, seen: float) -> str:
    """The outcome in words, and the note's file with it."""
    outcome = (
        f"the machine was told to stop, {len(sent)} times"
        if sent
        else f"the machine could NOT be told to stop: {trouble}. Use its emergency stop"
    )
    note = {
        "why": why,
        "outcome": outcome,
        "sent_after_s": sent,  # after the guardian had seen it
        "stops": what["stops"],
        "trouble": trouble,
        "took_s": round(time.monotonic() - seen, 4),
    }
    try:
        with open(what["note"], "w", encoding="utf-8") as file:
            json.dump(note, file, indent=2)
            file.write("\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as failure:
        return f"{outcome} (no note could be left: {failure.strerror})"
    return outcome


if __name__ == "__main__":
    sys.exit(main())
