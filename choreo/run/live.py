"""What a run on a real bus has besides: what the operator wants of it, and who must hear that it lives."""

from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Live:
    """
    `word` is what the operator must type before anything moves; `armed` names, in words, why nobody is asked for it.
    With `single_step` the operator is asked before each step. `beat` is called every `BEAT_NS` for as long as the
    session lives: whoever guards it counts on that; what it returns is put on record. `bus` and `started` (ISO 8601) go
    into the journal.
    """

    word: str
    armed: str = ""
    single_step: bool = False
    bus: str = ""
    started: str = ""
    beat: Callable[[], str] = field(default=lambda: "")


#: The guardian gives a session up that is silent for ten of these.
BEAT_NS = 200_000_000
