"""
YAML text as a tree that knows where every part of it stands.

Here lives reading of files, the composer over the C parser's events and the refusal of everything that a recipe does
not need (aliases, tags, several documents). What a key means is not known here. The only room that uses ruamel.yaml.
"""

from choreo.text.compose import compose
from choreo.text.source import Source, Sources, read_text, text_source
from choreo.text.tree import Branch, Items, Text, Tree

__all__ = ["Branch", "Items", "Source", "Sources", "Text", "Tree", "compose", "read_text", "text_source"]
