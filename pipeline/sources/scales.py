"""Numbers in another unit than ours: what a number of theirs is to be multiplied with; pure.

A header says hours or months; whether a share is in percent is told by its numbers, as a sheet shows 0.98 as 98%.
"""

import polars as pl

from pipeline.sources.likeness import pieces, usual, words

PERCENT_FROM = 1.5  # above it a share is in percent: nothing is charged to more than one
USUAL_GAIN = 0.1  # share of numbers by which a unit must be the more usual one to speak against the header
OURS = {"_minutes": "minutes", "_years": "years"}  # our unit by the end of a column's name


def factor(header: str, numbers: pl.Series, kind: str, column: str) -> float:
    """What their numbers are to be multiplied with to be ours, 1 where they are ours.

    Parameters
    ----------
    header : their column's name
    numbers : its numbers, nulls among them
    kind, column : ours
    """
    known = numbers.drop_nulls()
    if not known.len():
        return 1.0
    if column == "charge_at_open":
        return 0.01 if is_mostly(known > PERCENT_FROM) and is_mostly(known <= 100) else 1.0
    if column == "battery_percent":
        return 100.0 if bool((known <= 1).all()) and bool((known > 0).any()) else 1.0
    unit = next((unit for end, unit in OURS.items() if column.endswith(end)), None)
    said = [words()["units"][unit][w] for w in pieces(header) if w in words()["units"][unit]] if unit else []
    if not said:
        return 1.0
    times = float(said[-1])
    return times if share_usual(known * times, kind, column) + USUAL_GAIN >= share_usual(known, kind, column) else 1.0


def is_mostly(mask: pl.Series) -> bool:
    """Whether nearly all are so."""
    return float(mask.mean() or 0) >= 0.9  # type: ignore[arg-type]


def share_usual(numbers: pl.Series, kind: str, column: str) -> float:
    """Part of the numbers that a column usually holds; 1 where nothing is said of it."""
    known = usual(kind, column)
    return float(numbers.is_between(*known).mean() or 0) if known else 1.0  # type: ignore[arg-type]
