"""Whether the steps that say how a recipe flows make sense: what they name, the values that they put in."""

from __future__ import annotations

import re
from collections.abc import Iterable

from choreo.diagnostic import Mark
from choreo.recipe.declared import Groups
from choreo.recipe.flow_steps import CallStep, ForEachStep, RecordStep, ResetFaultStep, WhenStep
from choreo.recipe.groups import RESERVED
from choreo.recipe.reading import Reading
from choreo.recipe.scalars import IDENTIFIER, shortened
from choreo.recipe.sections import Sections
from choreo.recipe.step import Step
from choreo.text.tree import Text

_NAME = re.compile(IDENTIFIER)


def check_flow(step: Step, sections: Sections, groups: Groups, reading: Reading) -> None:
    """Keep a finding for what a step itself says that is not there or makes no sense; not for the steps inside."""
    if step.timeout is not None and isinstance(step, CallStep | RecordStep | ForEachStep | WhenStep):
        headline = f"`timeout` is for one step, and `{step.verb}` stands for several"
        reading.error("timeout-of-several", headline, step.timeout.span, help="Give it to the steps themselves.")
    if isinstance(step, ResetFaultStep):
        groups.distinct(step.reset_fault.axes)
    elif isinstance(step, ForEachStep):
        if not step.for_each:
            headline = "`for_each` goes through nothing"
            help = "Write `{place: [100 mm, 400 mm]}`: a name, and what it stands for."
            reading.error("empty-mapping", headline, step.place, help=help)
        _free(step.for_each, "`for_each`", sections, reading)
    elif isinstance(step, WhenStep):
        when = step.when
        if when.equals is None and when.above is None and when.below is None:
            help = "Write `is:`, `above:` or `below:` another value beside `value:`."
            reading.error("missing-key", "`when` compares with nothing", step.place, help=help)


def check_taken(sections: Sections, reading: Reading) -> None:
    """What a sequence takes has a name of its own, each once."""
    for name, sequence in sections.sequences.items():
        _free(sequence.takes, f"`{name}`", sections, reading)
        for place, taken in enumerate(sequence.takes):
            if taken in sequence.takes[:place]:
                reading.error("named-twice", f"`{taken}` is taken twice by `{name}`", taken.span)


def _free(names: Iterable[Text], owner: str, sections: Sections, reading: Reading) -> None:
    parameters = {str(name): name for name in sections.names.get("parameters", ())}
    for name in names:
        if _NAME.fullmatch(name) is None or name in RESERVED:
            help = "Letters without accents, digits and _ make a name; it does not begin with a digit."
            reading.error("bad-name", f"`{shortened(name)}` cannot be the name of a value", name.span, help=help)
        elif name in parameters:
            headline = f"`{name}` is a parameter of the recipe, and {owner} gives it another value"
            others = [Mark(parameters[name].span, "the parameter")]
            reading.error("name-taken", headline, name.span, others=others, help="Choose another name.")
