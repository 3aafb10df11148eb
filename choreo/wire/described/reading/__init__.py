"""
Reading a dialect file: from a tree of text to a compiled dialect, with every mistake of the file found at its place.

`reader` turns pieces of text into values and collects findings; `speech` reads what goes over the wire; `scaling` and
`settings` what raw values mean, `behaviour` what the drive does; `conflicts` holds the sections against each other;
`loader` puts all of it together. Nothing here opens a file (`choreo.wire.described.files`) or decodes a frame.
"""
