"""
The dialect description language as the simulated drive reads it: numbers, places of bits, checksums, payloads,
identifiers, scales, and the file as a whole.

It is written from the language's description alone and shares no code with choreo's codecs, so that one misreading of a
dialect file cannot hide another. Nothing here knows a bus, a clock or a drive.
"""
