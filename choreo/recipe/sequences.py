"""
Sequences and what calls them. A sequence is read once for each set of values that it is called with, the first time
that this is needed; whoever calls it with the same values gets the same steps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from choreo.diagnostic import Mark, did_you_mean
from choreo.recipe.filling import TwiceError, filled, weight
from choreo.recipe.flow_steps import CallStep, Sequence
from choreo.recipe.reading import Reading
from choreo.recipe.scalars import kind_of, shortened
from choreo.recipe.step import Step
from choreo.recipe.stepping import read_steps
from choreo.text.tree import Branch, Text, Tree

_STEPS, _SEQUENCES = Text("steps"), Text("sequences")

#: So many calls may be inside of each other.
MOST_CALLS = 16


@dataclass
class _Callee:
    """A sequence: what it says of itself (None where that is wrong), its steps as they stand in the file."""

    name: Text
    head: Sequence | None
    steps: Tree | None
    steps_key: Text
    read: dict[tuple[object, ...], tuple[Step, ...]] = field(default_factory=dict)


class Sequences:
    """The sequences of one recipe. `read_steps` asks it for what a `call` leads to."""

    def __init__(self, tree: Branch, reading: Reading) -> None:
        self.reading = reading
        self.callees: dict[Text, _Callee] = {}
        self.called: set[str] = set()
        self._chain: list[Text] = []
        for name, value in reading.mapping(tree, "sequences").items():
            self.callees[name] = self._callee(name, value)

    def _callee(self, name: Text, value: Tree) -> _Callee:
        reading = self.reading
        if not isinstance(value, Branch):
            headline = f"`{name}` must be a mapping, and {kind_of(value)} stands here"
            reading.error("wrong-type", headline, name.span, help=f"Write `{name}: {{steps: [...]}}`.")
            return _Callee(name, None, None, name)
        key = value.key(_STEPS)
        head = reading.part(Sequence, value.like({k: v for k, v in value.items() if k != _STEPS}), name, inside=value)
        if key is None:
            reading.error("missing-key", f"`{name}` has no `steps`", name.span, help="Add `steps:`.")
            return _Callee(name, head, None, name)
        if head is not None and head.after_stop and head.takes:
            headline = f"`{name}` is for the time after a stop, and takes `{head.takes[0]}`: nobody calls it"
            reading.error("nobody-calls", headline, head.takes[0].span, help="Use a parameter of the recipe.")
        return _Callee(name, head, value[key], key)

    def read_all(self) -> dict[Text, Sequence]:
        """Every sequence with its steps; of one that takes values, what it is called with has been read already."""
        found = {}
        for name, callee in self.callees.items():
            if callee.head is None:
                continue
            steps = () if callee.head.takes else self._steps(callee, {})
            made = callee.head.model_copy(update={"steps": steps})
            made.stand_at(name)
            found[name] = made
        return found

    def call(self, step: CallStep) -> None:
        """Find what a call leads to. Where it leads nowhere, a finding says why and it leads to no steps."""
        step.lead_to(())
        callee = self.callees.get(step.call)
        if callee is None:
            headline = f"there is no sequence `{shortened(step.call)}`"
            otherwise = "" if self.callees else "Declare it under `sequences:`."
            help = did_you_mean(step.call, self.callees, otherwise)
            self.reading.error("unknown-sequence", headline, step.call.span, help=help)
            return
        self.called.add(str(callee.name))
        if callee.head is None or not self._may_be_called(step, callee):
            return
        values = self._given(step, callee.head)
        if values is not None:
            step.lead_to(self._steps(callee, values))

    def _may_be_called(self, step: CallStep, callee: _Callee) -> bool:
        if callee.head is not None and callee.head.after_stop:
            headline = f"`{callee.name}` is for the time after a stopped run and is not called"
            help = "`choreo retreat` carries it out. Write a sequence without `after_stop` to call it."
            others = [Mark(callee.name.span, "declared here")]
            self.reading.error("after-stop-called", headline, step.call.span, others=others, help=help)
            return False
        if callee.name in self._chain:
            chain = " > ".join((*self._chain[self._chain.index(callee.name) :], callee.name))
            headline = f"`{callee.name}` calls itself: {chain}"
            self.reading.error("calls-itself", headline, step.call.span, help="Use `repeat` to do things again.")
            return False
        if len(self._chain) >= MOST_CALLS:
            headline = f"more than {MOST_CALLS} calls are inside of each other"
            self.reading.error("calls-too-deep", headline, step.call.span)
            return False
        return True

    def _given(self, step: CallStep, head: Sequence) -> Mapping[str, Text] | None:
        """The values by name; None, with findings, when they are not those that the sequence takes."""
        fine = True
        for name in step.given:
            if name not in head.takes:
                headline = f"`{step.call}` takes no `{shortened(name)}`"
                help = did_you_mean(name, head.takes, "It takes nothing." if not head.takes else "")
                self.reading.error("unknown-value", headline, name.span, help=help)
                fine = False
        lacking = [name for name in head.takes if name not in step.given]
        if lacking and fine:
            listed = " and ".join(f"`{name}`" for name in lacking)
            headline = f"`{step.call}` takes {listed}, and is not given {'it' if len(lacking) == 1 else 'them'}"
            others = [Mark(lacking[0].span, "taken here")]
            help = f"Write `with: {{{lacking[0]}: ...}}` beside `call`."
            self.reading.error("missing-value", headline, step.call.span, others=others, help=help)
            fine = False
        return {str(name): value for name, value in step.given.items()} if fine else None

    def _steps(self, callee: _Callee, values: Mapping[str, Text]) -> tuple[Step, ...]:
        if callee.steps is None:
            return ()
        key = tuple((str(name), str(text), text.span) for name, text in values.items())
        found = callee.read.get(key)
        if found is None:
            self._chain.append(callee.name)
            try:
                if values:
                    self.reading.spend(weight(callee.steps), callee.steps_key.span)
                tree = filled(callee.steps, values) if values else callee.steps
                with self.reading.putting_in(callee.head.takes if callee.head else (), anew=True):
                    found = read_steps(tree, callee.steps_key, self.reading, self)
            except TwiceError as twice:
                headline = f"`{shortened(twice.key)}` is named twice where `{callee.name}` puts it in"
                self.reading.error("named-twice", headline, twice.key.span)
                found = ()
            finally:
                self._chain.pop()
            callee.read[key] = found
        return found
