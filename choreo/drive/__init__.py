"""
Conversations with drives: the frames of one verb with one drive, as generators that never wait by themselves.

`conversation.py` has the words a conversation speaks; `verbs.py` what every drive family offers; then one module a
family. Nothing here knows a bus, a clock, a recipe or a journal: conversations are tested as scripts of frames.
"""
