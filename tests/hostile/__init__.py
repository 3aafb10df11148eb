"""
Texts and frames that nobody would write on purpose, for every reader and every decoder: only documented errors may come
of them. A case is its number: the same one makes the same text on every machine.
"""
