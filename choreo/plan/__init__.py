"""
A recipe with everything resolved: exact positions, counts, raw values, timeouts, predicted times.

    model.py        what a plan is; no pydantic object in it
    resolve.py      `make_plan`: from a recipe to a plan; unrolls what repeats
    machine.py      axes, pairs, dialects and limits, the same for every step (with axis_limits.py and dialects.py)
    node_limits.py  the limits as the wire sees them, for the guard
    steps.py        one resolver a verb; settings.py, motion.py (with asked.py) and homing.py have the long ones
    inputs.py       inputs and outputs, with bits and numbers of the wire (signals.py is what a plan holds of them)
    input_steps.py  steps on them, and the ways that an input may end anywhere
    state.py        what is known of each axis while the steps are gone through
    amounts.py      quantities of the recipe as exact numbers in an axis' unit, and findings
    rounding.py     raw values, equal on both sides of a pair (P24); raws.py asks for them and reports
    profiles.py     profiles of moves, each made once; onset.py says by when a move must be seen to start (P5)
    predict.py      how long everything takes (P31)
    budget.py       what polling costs the bus, and the worst response on it
    timeline.py     when each step begins and ends, and where each axis is then

The rooms that run, check and report read plans; nothing here sends a frame or reads a clock. A plan that was made is
not yet a plan that is fit to run: that is what `choreo.checks` says.
"""
