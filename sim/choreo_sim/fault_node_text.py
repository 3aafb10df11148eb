"""A tree of a fault file as one line of YAML, so that what was drawn can be written down and run again."""

import re

from choreo_sim.yaml_tree import Node

_PLAIN = re.compile(r"[A-Za-z0-9_+./^%-]+( [A-Za-z0-9_+./^%-]+)*")


def flow(node: Node) -> str:
    """The value in one line: `{kind: lost_reply, node: 13, at: 2 s}`."""
    value = node.value
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {flow(entry)}" for key, entry in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(flow(entry) for entry in value) + "]"
    return scalar(value)


def scalar(text: str) -> str:
    """A single value, in quotes where YAML would take it for something else."""
    return text if _PLAIN.fullmatch(text) else '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
