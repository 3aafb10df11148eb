"""
What is made sure of before something moves: empty loads, the meaning of a count, what a stopped run left, which speed
belongs to a load; on a real bus also the link, faults, the travel, and the operator's word. What moves is in `steps`.
"""
