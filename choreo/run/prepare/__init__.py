"""
What is made sure of before something moves: empty loads, the meaning of a count, what a stopped run left, which speed
belongs to a load. What moves is in `steps`.
"""
