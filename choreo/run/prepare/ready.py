"""
What a run on a real bus looks at before its first step, while every axis is already being read.

    1  every node passes a link check of its own
    2  no drive is in fault, and none that says it is homed stands outside its travel
    3  what the drives take for a count is compared (P26), loads of earlier runs are cleared (P2)
    4  the operator types the machine's name

Nothing here can move an axis. practice.md P2, P20, P21, P26, P28 (common practice, no source).
"""

from choreo.plan.model import LinkCheck
from choreo.run.context import Run, unexpected
from choreo.run.live import BEAT_NS, Live
from choreo.run.log import MS
from choreo.run.prepare.opening import clear_loads
from choreo.run.prepare.scales import compare_scales
from choreo.run.steps.asking import ask_for
from choreo.run.steps.linkcheck import link_check

#: 50 exchanges without loss bound the loss at 5.8 % (P28): enough to begin with; a recipe may ask for more.
EXCHANGES = 50
#: For each exchange, beyond the longest that a reply may take.
EXCHANGE_NS = 5 * MS


def beat_on(run: Run, live: Live) -> None:
    """From now on whoever guards the session hears that it lives, until the link is closed."""

    def note() -> None:
        if told := live.beat():
            run.session.record("link", what=told)

    def beat(now: int) -> int:
        note()
        return now + BEAT_NS

    run.session.at(run.session.now(), beat)
    run.session.on_held_up = note  # before anything else: it may have stopped the machine meanwhile


async def get_ready(run: Run, live: Live, patience_ns: int) -> None:
    """
    See the module. `patience_ns` is what a few exchanges with every drive may take.

    Raises:
        MachineFault: a node lost an exchange, a drive is in fault, an axis stands outside its travel, a load stays.
        OperatorStop: the operator said no.
    """
    session = run.session
    every = tuple(range(len(run.axes)))
    slowest = max(axis.plan.reply_timeout_ns for axis in run.axes)
    with session.within(patience_ns + EXCHANGES * (slowest + EXCHANGE_NS), "the link check before the first step"):
        await link_check(run, LinkCheck(every, EXCHANGES))
    with session.within(patience_ns, "reading how the drives stand"):
        await _within_travel(run)
    with session.within(patience_ns, "reading what the drives take for a count"):
        await compare_scales(run)
        run.compared = True
    with session.within(patience_ns, "clearing the drives' loads"):
        await clear_loads(run)
        run.opened = True
    if live.armed:
        session.record("operator", what="armed", text=live.armed)
    else:
        await ask_for(
            run,
            f"{run.plan.title} is about to move {', '.join(axis.name for axis in run.axes)}. "
            f"Nobody may be within reach of the machine. To begin, type its name, {live.word}",
            live.word,
        )


async def _within_travel(run: Run) -> None:
    """
    A drive that says it is homed counts from its own zero: where it stands must then be within the travel (P21). The
    plan does not count on that home all the same; it begins with `home`.
    """
    states = await run.states(run.axes)
    for axis, state in zip(run.axes, states, strict=True):
        if not state.homed or run.plan.left:
            continue
        low, high = sorted(axis.plan.counts(end) for end in axis.plan.limits.travel)
        slack = axis.tracking_counts
        if not low - slack <= axis.counts <= high + slack:
            where = f"{axis.counts / axis.scale:.3f} {axis.plan.unit}"
            travel = " to ".join(f"{float(end):g}" for end in axis.plan.limits.travel)
            raise unexpected(
                axis,
                f"its drive says that it is homed and stands at {where}; its travel is {travel} {axis.plan.unit}",
                "outside-travel",
                "Move it back by hand or with the drive's own means, and find out whether its home is right.",
            )
