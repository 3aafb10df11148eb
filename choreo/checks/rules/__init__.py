"""
The rules, one a file. Each has `ID`, `LEVEL`, what it `READS`, and `check`, and its docstring is its manual: what is
asked and why, then a recipe that passes and one that fails. Both are run as tests, laid over the machine in
`tests/checks/base.yaml`; steps that do not begin with `# from the start` come after its opening.

A new rule is a new file here and a line in `choreo/checks/catalogue.py`.
"""
