"""
Dialects and frames in words: a dialect as pages to be held against the drive's manual, a frame taken apart.

Here live the words alone. What a frame says, and what it nearly is, is known in `choreo.wire.described.asking`.
"""
