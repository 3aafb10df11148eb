"""
Compiled frames: what a dialect's bytes are, without a word about files or about what choreo wants of a drive.

From the ground up: kinds of number (`kinds`) and checksums (`checksums`); the parts of a payload (`fields`); a payload
of one length, and of every length that it has (`forms`, `layout`), and whether two could be the same (`overlap`);
identifiers (`identifiers`); frames put together and taken apart (`codec`), and the quick way to a position (`quick`).
What a file says wrong is found in `reading`; here a value that cannot be is a ValueError, bytes that are none are None.
"""
