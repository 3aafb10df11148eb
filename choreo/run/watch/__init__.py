"""
What is looked at while a run goes on: readings against what was predicted, pairs, inputs, what drives say unasked.

Watchers report findings and never raise, send or wait: the session's one line does the first, `requests` the second.
(`feeding` alone has something said again and again: to drives that stop by themselves when nobody speaks.)
"""
