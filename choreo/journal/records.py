"""
The one table of what may stand in a journal.

A record is `{"k": kind, "t": time, ...}`; a sample is `["p", time, axis index, counts, age in us]`: read somewhere in
the time of its age before it. Times are whole nanoseconds since the start of the run, lengths of time end in `_ns` or
`_us`. Positions, speeds and ramps are in the axis' own unit and seconds; what the recipe says is exact text (`1.5`,
`400/3`), what a run computes a number. Counts are the drive's. `axis` is the name of an axis; only samples and `pairs`
use indices into the `axes` of the run. A record belongs to the step between whose `step_begin` and `step_end` it
stands. What does not apply is null.
"""

from collections.abc import Mapping
from dataclasses import dataclass

#: The version that this choreo writes. A change that an old reader would misread raises it and adds an upgrade.
VERSION = 1


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a record: its name and what it says, with the unit. An `optional` field may be left out."""

    name: str
    says: str
    optional: bool = False


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of record."""

    name: str
    says: str
    fields: tuple[Field, ...]


def _kind(name: str, says: str, /, **fields: str) -> Kind:
    """A field whose text starts with `?` may be left out."""
    return Kind(name, says, tuple(Field(key, text.lstrip("? "), text.startswith("?")) for key, text in fields.items()))


_STEP = "id of the step; null outside of any"
_AXIS = "name of the axis"
#: What is said of an axis after a stop, whether it was proven to stand or not.
_LEFT = {
    "counts": "the same in counts",
    "energised": "whether the drive holds the axis under power; null when unknown",
    "home_valid": "whether positions count from the machine's zero",
    "load": "loaded, empty or unknown",
    "fault": "? code of the drive's fault, 0 for none; null when unknown",
    "why": "? how that is known, or what is in the way of knowing it",
    "next": "the next safe action",
    "outputs": "? how this run left its drive's outputs, by name: on, off, unknown or not switched",
}

_TABLE = (
    _kind(
        "run",
        "the first line: everything a report needs to know of the recipe and the machine",
        journal="version of this format",
        choreo="version of the program",
        mode="dry-run or live",
        title="title of the recipe",
        machine="name of the machine",
        seed="seed of the simulated bus; null when live",
        pace="factor on the speeds, at most 1",
        hashes="SHA-256 of recipe, machine and dialect files, by file name",
        parameters="parameters as set, by name",
        axes="list of {name, node, unit, counts_per_unit, pair, lag_ns, noise_counts, watchdog}; `watchdog`, where "
        "the drive has one: {within_ns, then}, what it does by itself when it hears nothing for so long",
        pairs="list of {name, axes: two indices, trip, structural} in the axes' unit",
        limits="by axis: {travel: [low, high], speed, acceleration, jerk, quick_stop, tracking, ...}",
        steps="list of {id, path, verb, label, predicted_ns, timeout_ns, place}, closing steps last",
        poll_ns="? how often every axis is read",
        bit_rate="? of the bus, bit/s",
        simulated="? the machine truth of a dry-run; null for one derived from the recipe",
        retreat="? the sequence that was carried out after a stopped run, in place of the recipe's steps",
        started="? date and time of the start (ISO 8601), live runs only",
        bus="? the bus as it was named, live runs only",
        python="? version of Python, live runs only",
    ),
    _kind("step_begin", "a step begins", step="id of the step"),
    _kind(
        "step_end",
        "a step has ended",
        step="id of the step",
        outcome="done or failed",
        taken_ns="time from begin to end",
        polls="position readings of all axes during the step",
        worst_reply_ns="longest time from a request to its reply; null when nothing was asked",
    ),
    _kind(
        "scope_begin",
        "a named part of the run begins, before the first of its steps (`record`)",
        name="as the recipe calls it",
        path="of the `record` step, with the passes of the repeats around it",
    ),
    _kind(
        "scope_end",
        "a named part of the run has ended",
        name="as the recipe calls it",
        path="of the `record` step",
        outcome="done or failed",
        taken_ns="time from begin to end",
    ),
    _kind(
        "command",
        "a verb was spoken to a drive and came to its end",
        axis=_AXIS + "; null for a broadcast",
        verb="the verb and what it concerns",
        value="? raw value, where the verb carries one",
        frame="the request as identifier#data, hexadecimal",
        outcome="done, accepted, or what went wrong",
    ),
    _kind(
        "trigger",
        "the start trigger has left",
        axes="names of the axes that were loaded",
        frame="the broadcast as identifier#data, hexadecimal",
        started_ns="when the frame had left, as far as the link knows",
    ),
    _kind(
        "move",
        "an axis was sent on its way: enough to compute its profile again",
        axis=_AXIS,
        anchor_counts="counts of the place from which positions are counted",
        from_counts="counts where it starts",
        target_counts="counts where it shall end",
        t0="start of the profile (ns)",
        distance="signed distance, in the axis' unit",
        speed="speed of the profile, units/s",
        acceleration="units/s^2",
        jerk="units/s^3; null for a trapezoid",
        duration_ns="? predicted duration",
    ),
    _kind(
        "onset",
        "an axis was seen to start (practice.md P5)",
        axis=_AXIS,
        after_ns="from the start of the motion (trigger and latch) to the first reading beyond the threshold",
        limit_ns="? latest allowed",
    ),
    _kind("arrived", "an axis came within its tolerance", axis=_AXIS, after_ns="from the start of the motion"),
    _kind("settled", "an axis stayed within its tolerance for the settle time", axis=_AXIS, counts="there"),
    _kind(
        "homed",
        "an axis found its home switch and counts from the machine's zero now",
        axis=_AXIS,
        edge_counts="counts of the edge, as captured before the zero was set",
        edge="position of the edge in the new count, in the axis' unit",
        skew="what is left of the pair's skew, first side minus second, in the axis' unit; null without a pair",
    ),
    _kind(
        "shift",
        "a home switch was touched again by an axis that had a home",
        axis=_AXIS,
        shift="how far its edge has moved since it was last homed, in the axis' unit",
    ),
    _kind(
        "loads",
        "what a drive held before the run set anything off (practice.md P2)",
        axis=_AXIS,
        found="whether it held a load of an earlier run",
        left="whether it still does after it was told to drop it",
    ),
    _kind(
        "setting",
        "a setting of a drive has been read and, where it differed, written and read back (practice.md P23)",
        axis=_AXIS,
        setting="name of the setting",
        raw="raw value that is in force now",
    ),
    _kind(
        "input",
        "an input has changed, or was read for the first time; on, off, or unknown when it cannot be read any more",
        name="of the input, as the recipe calls it",
        axis=_AXIS + " whose drive has it",
        level="on, off or unknown; debounced",
    ),
    _kind(
        "awaited",
        "an input came that a step waited for",
        input="name of the input",
        level="on or off",
        after_ns="how long was waited",
    ),
    _kind(
        "until",
        "an axis was sent on its way until an input reads so, and stands again",
        axis=_AXIS,
        input="name of the input",
        level="on or off: what was waited for",
        reached="whether it came; false when the way ended without it",
        seen="where the axis was when it was first read so, in its unit; null when it was not",
        give="how much earlier it may have come: what the axis went since it was last read otherwise; null likewise",
        rest="where the axis came to rest, in its unit",
        seen_ns="when that reading was asked for; null when there was none",
    ),
    _kind(
        "output",
        "an output was switched, and its drive has said so",
        name="of the output, as the recipe calls it",
        axis=_AXIS + " whose drive has it",
        level="on or off",
    ),
    _kind(
        "finding",
        "what a watcher, a limit or a check had to say",
        rule="stable name of the rule",
        level="error, refused (a data-error reply), warning or note",
        headline="what, with both numbers and their units",
        axis="? " + _AXIS,
        node="? node number",
        step="? " + _STEP,
        help="? what to do",
    ),
    _kind(
        "operator",
        "somebody did something, or was asked to",
        what="an interrupt's reason, or asked, or answer, or armed: nobody was asked before the first step",
        text="? the question, the answer typed, or why nobody was asked",
        by="? who answered: operator, or simulation in a dry-run",
    ),
    _kind(
        "link",
        "counted exchanges with a node (practice.md P28 and P35), or a word about the bus itself",
        axis="? " + _AXIS,
        exchanges="? how many were made",
        lost="? how many were never answered",
        wrong="? how many replies had another count",
        min_ns="? shortest time from request to reply",
        median_ns="? median",
        max_ns="? longest",
        what="? what was seen on the bus: an unknown node, error frames, a change of the error state",
        frame="? the frame that told it, as identifier#data, hexadecimal",
        skipped="? frames of a drive that counts them itself and that never came, by its count",
        repeated="? frames that came twice, by its count",
    ),
    _kind(
        "traffic",
        "what the bus carried lately, on a real one",
        span_ns="over how long",
        frames="frames that were handed over or heard",
        replies="requests that were answered",
        median_ns="median time from request to reply; null without one",
        worst_ns="longest",
        load="their part of the bit rate, each taken to be as long as it can be, 0 to 1",
    ),
    _kind(
        "scale",
        "what a drive takes for a count was compared with the recipe, before anything moved (practice.md P26)",
        axis=_AXIS,
        setting="name of the setting, such as counts_per_motor_rev",
        raw="as read",
        told="what that means, by the dialect",
        recipe="what the recipe says",
    ),
    _kind("lost", "a request was not answered in time", axis=_AXIS, what="the request", after_ns="how long was waited"),
    _kind(
        "late",
        "a reply that no request is waiting for: late, doubled or forged (practice.md P12)",
        axis=_AXIS,
        frame="the frame as identifier#data, hexadecimal",
    ),
    _kind("overrun", "something due was done late", what="what was due", late_ns="by how much"),
    _kind(
        "stopping",
        "the stop of all axes begins",
        cause="the headline of what led to it",
        rule="stable name of the rule",
        exit="exit code of the run",
        step=_STEP,
        axis=_AXIS + "; null for none",
        taken_back="? frames that would have moved an axis and were taken back before they left",
    ),
    _kind("frames", "the last five seconds on the bus before a stop", last="list of `-ms sent|heard frame`"),
    _kind(
        "at_rest",
        "an axis was proven to stand after a stop (practice.md P17)",
        axis=_AXIS,
        position="where, in the axis' unit; null when it was never read",
        **_LEFT,
    ),
    _kind(
        "unproven",
        "an axis that could not be proven to stand",
        axis=_AXIS,
        position="last reading, in the axis' unit; null when it was never read",
        **_LEFT,
    ),
    _kind(
        "end",
        "the last line; a journal without it was cut off",
        outcome="done or stopped",
        exit="exit code",
        taken_ns="time since the start",
    ),
)

#: Every kind of record by its name, in the order in which a run is likely to meet them.
KINDS: Mapping[str, Kind] = {kind.name: kind for kind in _TABLE}

_NEEDED = {kind.name: tuple(field.name for field in kind.fields if not field.optional) for kind in _TABLE}


def missing(kind: str, fields: Mapping[str, object]) -> str | None:
    """The first field that a record of this kind must have and has not; None when it has all or its kind is unknown."""
    return next((name for name in _NEEDED.get(kind, ()) if name not in fields), None)


def deviations(kind: str, fields: Mapping[str, object]) -> list[str]:
    """How a record differs from the table, in words; empty when it does not."""
    known = KINDS.get(kind)
    if known is None:
        return [f"{kind}: a kind that the table does not know"]
    names = {field.name for field in known.fields}
    lacking = [name for name in _NEEDED[kind] if name not in fields]
    return [f"{kind}: {name} is missing" for name in lacking] + [
        f"{kind}: {name} is not in the table" for name in fields if name not in names
    ]
