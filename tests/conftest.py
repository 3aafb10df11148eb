"""
Shared by all tests. That this file stands here puts `tests/` on the import path, so that a test can say
`from vectors import table`.
"""

from hypothesis import settings

# Every run tries the same examples, and no example is judged by how long it takes.
settings.register_profile("suite", deadline=None, derandomize=True)
settings.load_profile("suite")
