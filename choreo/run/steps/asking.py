"""
`confirm` and `reset_fault`: what a person has to say before it goes on.

A question is put by a record of the journal, which whoever watches the run shows; the answer comes as an event of the
link, like everything else. What was typed before the question was asked is no answer to it.
"""

from choreo.errors import MachineFault, OperatorStop
from choreo.link.port import Answer
from choreo.plan.model import Confirm, ResetFault
from choreo.run.context import Run

#: What goes on, and what stops. Everything else, an empty line too, is no answer.
YES, NO = "yes", "no"


async def confirm(run: Run, action: Confirm) -> None:
    """
    Ask, and wait for the answer; every axis stays watched.

    Raises:
        OperatorStop: the answer is no.
    """
    await ask(run, action.question)


async def reset_fault(run: Run, action: ResetFault) -> None:
    """
    Ask; then reset the drives that are in fault, once each, and look at what is left of their homes (P17).

    Raises:
        OperatorStop: the answer is no.
        MachineFault: a drive stays in fault, or has lost the home that the run counts on.
    """
    await ask(run, action.question)
    axes = run.pick(action.axes)
    states = await run.states(axes)
    faulty = [axis for axis, state in zip(axes, states, strict=True) if state.fault]
    await run.each(faulty, lambda drive: drive.reset_fault())
    for axis, state in zip(axes, await run.states(axes), strict=True):
        axis.enabled = state.enabled
        if state.homed is False and axis.home_valid:
            axis.home_valid = False
            raise MachineFault(
                f"{axis.name}: the drive has lost its home with the fault, and the run counts on it",
                rule="home-lost",
                axis=axis.name,
                node=axis.plan.node,
                help="Begin again with a recipe, or a retreat, that homes it or moves it `by` a distance.",
            )


async def ask(run: Run, question: str) -> None:
    """Put a question and wait until somebody says yes. Raises OperatorStop for no."""
    await ask_for(run, question, YES)


async def ask_for(run: Run, question: str, word: str) -> None:
    """
    Put a question and wait until somebody types `word`; anything else but no changes nothing.

    Raises:
        OperatorStop: the answer is no.
    """
    session = run.session
    session.answers.clear()
    session.record("operator", what="asked", text=question)
    said = None if run.operator is None else run.operator(question)
    if said is not None:
        session.link.post(Answer(said, by="simulation"))
    while True:
        await session.turns(lambda: bool(session.answers))
        answer = session.answers.popleft().strip().casefold()
        if answer == word.casefold():
            return
        if answer == NO:
            raise OperatorStop(f"the answer was no: {question}", rule="not-confirmed")
