"""Steps from the tree: which verb it is, then the class of that verb."""

from __future__ import annotations

from choreo.diagnostic import Mark, did_you_mean, near_miss
from choreo.recipe.reading import Reading
from choreo.recipe.scalars import kind_of, shortened
from choreo.recipe.steps import VERBS, RepeatStep, Step
from choreo.recipe.wrong import keys_of
from choreo.text.tree import Branch, Items, Text, Tree

_STEPS = Text("steps")

#: Every key that may stand beside some verb.
_BESIDE = tuple(dict.fromkeys(key for step in VERBS.values() for key in keys_of(step) if key not in VERBS))


def read_steps(tree: Tree, key: Text, reading: Reading) -> tuple[Step, ...]:
    """The steps of a list; those that are none are left out, with their findings kept."""
    if not isinstance(tree, Items):
        headline = f"`{key}` must be a list of steps, and {kind_of(tree)} stands here"
        span = key.span if isinstance(tree, Text) and tree.missing else tree.span
        reading.error("wrong-type", headline, span, help="Begin each step with a dash: `- enable: all`.")
        return ()
    if not tree:
        reading.error("empty-list", f"`{key}` has no step", key.span, help="Write at least one, or delete the key.")
    steps = (_read_step(item, reading) for item in tree)
    return tuple(step for step in steps if step is not None)


def _read_step(tree: Tree, reading: Reading) -> Step | None:
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
    if step is RepeatStep and _STEPS in tree:
        steps_key = tree.key(_STEPS)
        assert steps_key is not None
        arranged = tree.like({**tree, steps_key: read_steps(tree[_STEPS], steps_key, reading)})
    own = keys_of(step)
    strangers = [key for key in tree if key not in own and key in _BESIDE]
    for key in strangers:
        headline = f"`{key}` does not go with `{verb}`"
        reading.error("unknown-key", headline, key.span, help=f"Beside `{verb}`: {', '.join(_beside(step))}.")
    if strangers:
        arranged = arranged.like({key: value for key, value in arranged.items() if key not in strangers})
    return reading.part(step, arranged, verb, inside=tree)


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
