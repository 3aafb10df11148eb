"""Steps from the tree: which verb it is, then the class of that verb."""

from __future__ import annotations

from typing import Any, NoReturn, Protocol

from choreo.diagnostic import Mark, Span, did_you_mean, near_miss
from choreo.recipe.filling import TwiceError, filled, weight
from choreo.recipe.flow_steps import CallStep, ForEachStep
from choreo.recipe.reading import EnoughError, Reading
from choreo.recipe.scalars import kind_of, shortened
from choreo.recipe.steps import VERBS, Step
from choreo.recipe.wrong import keys_of
from choreo.text.tree import Branch, Items, Text, Tree

_STEPS = Text("steps")
_ANOTHER = "Choose another name."

#: The most steps that are read, those of a sequence or of a `for_each` once for each set of values.
MOST_READ = 250_000
#: So many steps may stand inside of each other, calls included.
MOST_INSIDE = 60


class Callees(Protocol):
    """Who knows what a `call` leads to."""

    def call(self, step: CallStep, /) -> None:
        """Make the step lead to the steps of its sequence."""


#: Every key that may stand beside some verb.
_BESIDE = tuple(dict.fromkeys(key for step in VERBS.values() for key in keys_of(step) if key not in VERBS))


def read_steps(tree: Tree, key: Text, reading: Reading, callees: Callees) -> tuple[Step, ...]:
    """The steps of a list; those that are none are left out, with their findings kept."""
    if not isinstance(tree, Items):
        headline = f"`{key}` must be a list of steps, and {kind_of(tree)} stands here"
        span = key.span if isinstance(tree, Text) and tree.missing else tree.span
        reading.error("wrong-type", headline, span, help="Begin each step with a dash: `- enable: all`.")
        return ()
    if not tree:
        reading.error("empty-list", f"`{key}` has no step", key.span, help="Write at least one, or delete the key.")
    if reading.depth > MOST_INSIDE:
        _too_deep(key.span, reading)
    reading.depth += 1
    steps = [_read_step(item, reading, callees) for item in tree]
    reading.depth -= 1
    return tuple(step for step in steps if step is not None)


def _too_deep(place: Span, reading: Reading) -> NoReturn:
    headline = f"more than {MOST_INSIDE} steps are inside of each other"
    reading.error("nested-too-deep", headline, place, help="Write them one after the other.")
    raise EnoughError


def _read_step(tree: Tree, reading: Reading, callees: Callees) -> Step | None:
    if not isinstance(tree, Branch) or not tree:
        headline = f"a step must be a mapping with a verb, and {kind_of(tree)} stands here"
        word = tree.split()[0] if isinstance(tree, Text) and tree.split() else ""
        near = near_miss(word, VERBS)
        reading.error("no-verb", headline, tree.span, help=f"Write `- {near or 'enable'}: ...`.")
        return None
    verbs = [key for key in tree if key in VERBS]
    if len(verbs) != 1:
        _not_one_verb(tree, verbs, reading)
        return None
    verb = verbs[0]
    step = VERBS[verb]
    arranged = tree
    steps_key = tree.key(_STEPS) if _STEPS in tree and "steps" in step.model_fields else None
    if steps_key is not None:
        inside = _inside(step, tree[verb], tree[_STEPS], steps_key, reading, callees)
        arranged = tree.like({**tree, steps_key: inside})
    own = keys_of(step)
    strangers = [key for key in tree if key not in own and key in _BESIDE]
    for key in strangers:
        headline = f"`{key}` does not go with `{verb}`"
        reading.error("unknown-key", headline, key.span, help=f"Beside `{verb}`: {', '.join(_beside(step))}.")
    if strangers:
        arranged = arranged.like({key: value for key, value in arranged.items() if key not in strangers})
    return _numbered(reading.part(step, arranged, verb, inside=tree), reading, callees)


def _numbered(step: Step | None, reading: Reading, callees: Callees) -> Step | None:
    """A step that was read knows which it is; a call finds what it leads to."""
    if step is None:
        return None
    reading.steps += 1
    if reading.steps > MOST_READ:
        headline = f"the recipe comes to more than {MOST_READ} steps"
        reading.error("too-many-steps", headline, step.place, help="Run it in parts, or repeat less often.")
        raise EnoughError
    step.number(reading.steps)
    if isinstance(step, CallStep):
        callees.call(step)
    height = reading.heights[step.serial] = 1 + max((reading.heights[one.serial] for one in step.inside), default=0)
    if height > MOST_INSIDE:  # of sequences that were read before, each for itself not too deep
        _too_deep(step.place, reading)
    return step


def _inside(
    step: type[Step], value: Tree, tree: Tree, key: Text, reading: Reading, callees: Callees
) -> tuple[Any, ...]:
    """The steps that stand beside a verb; of a `for_each`, those for each of its values."""
    if step is not ForEachStep:
        return read_steps(tree, key, reading, callees)
    if not isinstance(value, Branch) or not value or not isinstance(next(iter(value.values())), Items):
        return ()
    name, values = next(iter(value.items()))
    if len(value) > 1:
        second = list(value)[1]
        headline = f"`for_each` goes through one list, and `{shortened(second)}` is a second"
        reading.error("two-lists", headline, second.span, help="Put one `for_each` inside the other.")
    outer = reading.standing.get(str(name))
    if outer is not None:
        headline = f"`{shortened(name)}` stands for another value already, which would be put in here too"
        reading.error("name-taken", headline, name.span, others=[Mark(outer.span, "the first")], help=_ANOTHER)
        return ()
    reading.spend(weight(tree) * len(values), key.span)
    passes = []
    with reading.putting_in([name]):
        for item in values:
            if isinstance(item, Text):
                try:
                    passes.append(read_steps(filled(tree, {str(name): item}), key, reading, callees))
                except TwiceError as twice:
                    headline = f"`{shortened(twice.key)}` is named twice where `for_each` puts it in"
                    reading.error("named-twice", headline, twice.key.span)
    return tuple(passes)


def _beside(step: type[Step]) -> list[str]:
    return [key for key in keys_of(step) if key not in VERBS]


def _not_one_verb(tree: Branch, verbs: list[Text], reading: Reading) -> None:
    if verbs:
        headline = f"two verbs in one step: `{verbs[0]}` and `{verbs[1]}`"
        others = [Mark(verbs[0].span, "the first")]
        reading.error("two-verbs", headline, verbs[1].span, others=others, help="Begin each with a dash of its own.")
        return
    strange = [key for key in tree if key not in _BESIDE]
    key = next((key for key in strange if near_miss(key, VERBS)), strange[0] if strange else next(iter(tree)))
    if strange:
        help = did_you_mean(key, VERBS, f"The verbs are {', '.join(VERBS)}.")
        reading.error("no-verb", f"`{shortened(key)}` is no verb", key.span, help=help)
    else:
        reading.error("no-verb", f"this step has no verb beside `{key}`", key.span, help=f"One of {', '.join(VERBS)}.")
