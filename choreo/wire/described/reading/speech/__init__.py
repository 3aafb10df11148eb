"""
Reading what goes over the wire: identifier ranges, payloads part by part with their checksums, messages.

`verbs` is what choreo asks of each message. `ranges`, `parts`, `checksums` and `payloads` read the pieces, `shapes` one
frame, `series` a verb of several, `messages` all of them; `placed` is what they hand on, with the places in the file.
What a raw value means, and what the drive does about a frame, is read elsewhere.
"""
