"""The clock on the wall, for those who read it there."""

import time
from datetime import datetime


def age_s(since_s: float | None) -> float:
    """How long ago that was, seconds; `since_s` counts from 1970, and None is no time at all ago."""
    return 0.0 if since_s is None else max(0.0, time.time() - since_s)


def on_the_wall(since_s: float | None) -> str:
    """`09:31:22`, in local time; empty for None."""
    if since_s is None:
        return ""
    return datetime.fromtimestamp(since_s).strftime("%H:%M:%S")  # noqa: DTZ006  as the clock in the room says
