"""
Check values with their sources: CSV files whose `#` lines say where the numbers come from.

Nothing here was ever copied from the program's own output.
"""

import csv
from pathlib import Path

_FOLDER = Path(__file__).parent


def table(name: str) -> list[dict[str, str]]:
    """The rows of `NAME.csv`, by column name, as text."""
    lines = (_FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def numbers(name: str) -> list[dict[str, float]]:
    """The same, where every column is a number."""
    return [{column: float(value) for column, value in row.items()} for row in table(name)]
