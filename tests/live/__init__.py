"""
Tests in real time: the live link with python-can's own drivers, against a simulated bus behind a pseudo-terminal or
python-can's virtual bus. Nothing here sleeps or judges a duration; every wait ends with an event.
"""
