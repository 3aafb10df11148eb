"""
The recipe language: typed models, reading and checking of one recipe with its machine file.

Here lives what can be said of a recipe without knowing any drive: shape, types, names, units, ranges, tightened limits.
What needs a dialect, a path or a time is `plan`'s and the checks'. The only room that uses pydantic.
"""
