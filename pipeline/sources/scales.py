"""Numbers in another unit than ours: what a number of theirs is to be multiplied with; pure.

A header says hours or months; whether a share is in percent is told by its numbers, as a sheet shows 0.98 as 98%. Each
value may also say its own: `3 hrs`, `4:00`.
"""

import polars as pl

from pipeline.sources.likeness import pieces, usual, words
from pipeline.sources.numbers import read_numbers
from pipeline.sources.profile import AS_WRITTEN

PERCENT_FROM = 1.5  # above it a share is in percent: nothing is charged to more than one
USUAL_GAIN = 0.1  # share of numbers by which a unit must be the more usual one to speak against the header
OURS = {"_minutes": "minutes", "_years": "years"}  # our unit by the end of a column's name

WITH_UNIT = r"^\s*(\d[\d.,]*)\s*([A-Za-z]+)\.?\s*$"
HOURS_MINUTES = r"^\s*(\d{1,3}):([0-5]\d)(?::[0-5]\d)?\s*$"


def unit_of(column: str) -> str | None:
    """The unit of a column of ours by the end of its name, None for those that have another or none."""
    return next((unit for end, unit in OURS.items() if column.endswith(end)), None)


def as_written(texts: pl.Series, column: str) -> pl.Series:
    """Text of amounts with their units → numbers in the column's own unit, null where one is not known."""
    unit = unit_of(column)
    if unit is None:
        return read_numbers(texts)
    parts = texts.str.extract_groups(WITH_UNIT).struct.unnest()
    known = {unit: 1.0, unit[:-1]: 1.0, **words()["units"][unit]}
    found = read_numbers(parts["1"]) * parts["2"].str.to_lowercase().replace_strict(
        known, default=None, return_dtype=pl.Float64
    )
    if unit == "minutes":
        clock = texts.str.extract_groups(HOURS_MINUTES).struct.unnest().cast(pl.Float64)
        found = found.zip_with(found.is_not_null(), clock["1"] * 60 + clock["2"])
    return found.zip_with(found.is_not_null(), read_numbers(texts)).alias(texts.name)


def scaled(header: str, texts: pl.Series, kind: str, column: str) -> tuple[pl.Series, float | str]:
    """Their texts as numbers of ours, and what makes them so: a factor, or `AS_WRITTEN`.

    Parameters
    ----------
    header, texts : their column's name and its values
    kind, column : ours
    """
    numbers = read_numbers(texts)
    if unit_of(column) and numbers.null_count() * 2 > numbers.len():
        written = as_written(texts, column)
        if written.null_count() * 2 < numbers.len():
            return written, AS_WRITTEN
    times = factor(header, numbers, kind, column)
    return numbers * times, times


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
    unit = unit_of(column)
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
