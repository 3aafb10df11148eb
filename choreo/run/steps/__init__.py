"""
What each verb does. One coroutine an action class, listed in `STEPS`; a step is sequential code over the session.

A step keeps nothing that stopping would need: what is loaded, handed over, in doubt lives in the session and the axes.
"""

from collections.abc import Awaitable, Callable
from typing import Any

from choreo.plan import model
from choreo.run.context import Run
from choreo.run.steps.asking import confirm, reset_fault
from choreo.run.steps.homing import home
from choreo.run.steps.inputs import move_until, set_output, wait_for
from choreo.run.steps.linkcheck import link_check
from choreo.run.steps.motion import move, preload, trigger, wait_for_position
from choreo.run.steps.plain import dwell, expect
from choreo.run.steps.power import disable, enable
from choreo.run.steps.settings import configure

STEPS: dict[type, Callable[[Run, Any], Awaitable[None]]] = {
    model.LinkCheck: link_check,
    model.Configure: configure,
    model.Enable: enable,
    model.Disable: disable,
    model.Home: home,
    model.Preload: preload,
    model.Trigger: trigger,
    model.WaitForPosition: wait_for_position,
    model.Move: move,
    model.Dwell: dwell,
    model.Expect: expect,
    model.WaitFor: wait_for,
    model.MoveUntil: move_until,
    model.SetOutput: set_output,
    model.Confirm: confirm,
    model.ResetFault: reset_fault,
}

#: What may come before it is known what the drives take for a count: nothing is set here.
BEFORE_COMPARING = (model.LinkCheck, model.Dwell, model.Confirm)

#: What may come before the loads have been looked at and cleared: nothing here can set anything off.
BEFORE_OPENING = (model.LinkCheck, model.Configure, model.Dwell, model.Confirm, model.ResetFault, model.WaitFor)

#: Sends nothing that could move an axis, or make one ready to move.
MOVES_NOTHING = (
    model.LinkCheck,
    model.Configure,
    model.Dwell,
    model.Confirm,
    model.WaitFor,
    model.Disable,
    model.Expect,
    model.WaitForPosition,
)

#: What may still be done after a failure: it moves nothing (P17).
AFTER_FAILURE = (model.Disable,)
