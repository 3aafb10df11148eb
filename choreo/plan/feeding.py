"""
What keeps a drive with a watchdog fed: a drive that stops by itself when it hears nothing for too long.

Polling feeds it wherever the watchdog takes any message, or the one that is polled. Otherwise one of the messages that
feed it and can do nothing is sent beside the polls, three times in its period.
"""

from choreo.wire.dialect import Dialect

#: Messages that do nothing to a machine and need no values, in the order in which they are taken.
HARMLESS = ("status", "echo", "read_inputs", "read_position")
#: A message beside the polls is sent so often within the watchdog's time.
FEEDS = 3


def fed_by_polls(dialect: Dialect) -> bool:
    """Whether polling the position is all that the watchdog needs; so without one."""
    watchdog = dialect.watchdog
    return watchdog is None or watchdog.fed_by is None or dialect.position_message in watchdog.fed_by


def feeding_message(dialect: Dialect) -> str | None:
    """What is sent beside the polls; None where nothing is needed, or nothing harmless feeds it, which is refused."""
    watchdog = dialect.watchdog
    if watchdog is None or watchdog.fed_by is None or fed_by_polls(dialect):
        return None
    return next((message for message in HARMLESS if message in watchdog.fed_by), None)


def feeding_period_ns(dialect: Dialect) -> int:
    """How often it is sent."""
    return 0 if dialect.watchdog is None else dialect.watchdog.within_ns // FEEDS
