"""
What can be said of a recipe before anything is sent: one rule a file, a list of them, a runner.

    rules/       the rules; each docstring is the rule's manual, with a recipe that passes and one that fails
    catalogue.py `CHECKS`, the list
    facts.py     what the rules read: the recipe, the plan, and the plan's scenes
    scenes.py    what is true of the axes before each step of the plan
    runner.py    `run_checks`

A rule judges; it never corrects, and it knows no bus, no clock and no run. What a recipe cannot even say is refused in
`recipe`, what cannot be resolved in `plan`.
"""

from choreo.checks.catalogue import CHECKS
from choreo.checks.runner import run_checks

__all__ = ["CHECKS", "run_checks"]
