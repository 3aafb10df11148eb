"""
Bytes in, values out, and back: frame length bounds, codecs of the dialect families, the dialects that ship.

Everything here is pure: no clock, no bus, no waiting. `words.py` has the vocabulary that every room above shares,
`dialect.py` what a compiled dialect offers. The dialects themselves are YAML files in `dialects/`.
"""
