"""
Asking a compiled dialect: for people, and for who transcribes a manual. A run needs none of it.

`places` says where each part of a payload lies, `nearly` which frame another one nearly is; `trials` holds a dialect
against the frames of its manual, `alone` checks dialect files and test files by themselves. Nothing here reads a
dialect's sections or changes a dialect; how answers are laid out on a page is the commands' business.
"""
