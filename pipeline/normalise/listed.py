"""Small lists that a question brings along (counts by hand, the next day's voters) → typed rows, and faults.

They are read for one answer and enter no book.
"""

import re
from dataclasses import dataclass
from datetime import date

import pandera.polars as pa
import polars as pl

from pipeline.contracts.moments import local_time
from pipeline.errors import SourceError
from pipeline.normalise.times import UTC_US, read_times
from pipeline.sources.numbers import read_numbers
from pipeline.sources.reading import read_table
from pipeline.sources.tables import Fault, short

CLOCK = re.compile(r"([01]?\d|2[0-3]):[0-5]\d")
MOST = 1e9  # a larger number is no count and no wait: our choice


@dataclass(frozen=True)
class Listed:
    """The rows of a list with `row` and the model's columns, and a fault for every row that cannot be used."""

    frame: pl.DataFrame
    faults: list[Fault]


def read_list(data: bytes, name: str, model: type[pa.DataFrameModel], zone: str, day: date) -> Listed:
    """A CSV file's rows in a model's columns; others are left aside.

    Parameters
    ----------
    data, name : the file, byte for byte, and its name for messages
    model : its columns: text, numbers from 0 up, times; those not nullable must be there
    zone, day : of times without an offset, and of times that are HH:MM alone

    Raises
    ------
    SourceError : if a column that must be there is not, or there is nothing to read.
    """
    raw = read_table(data, name, "csv")
    texts = raw.frame().with_columns(pl.col(pl.String).str.strip_chars().replace("", None))
    columns = model.to_schema().columns
    missing = [column for column, kept in columns.items() if not kept.nullable and column not in texts.columns]
    if missing:
        raise SourceError(
            f'{name}: column "{missing[0]}" is not there. Found: {", ".join(texts.columns[1:])}. Name the columns so.'
        )
    texts = texts.with_columns(pl.lit(None, dtype=pl.String).alias(c) for c in columns if c not in texts.columns)
    typed = [texts["row"]]
    faults = list(raw.faults)
    for column, kept in columns.items():
        values, reasons = typed_column(texts[column], kept.dtype.type, zone, day)
        if not kept.nullable:
            reasons = reasons.zip_with(texts[column].is_not_null(), pl.Series(["nothing stands here"]))
        typed.append(values.alias(column))
        bad = texts.select("row", value=column, reason=reasons).filter(pl.col("reason").is_not_null())
        faults += [Fault(row, column, short(value or ""), reason) for row, value, reason in bad.iter_rows()]
    frame = pl.DataFrame(typed).filter(~pl.col("row").is_in([fault.row for fault in faults]))
    return Listed(frame, sorted(faults, key=lambda fault: fault.row))


def typed_column(texts: pl.Series, dtype: object, zone: str, day: date) -> tuple[pl.Series, pl.Series]:
    """A column's values, null where they are none, and the reason why."""
    if dtype == pl.String:
        return texts, reasons_of(texts, texts, "")
    if isinstance(dtype, pl.Datetime):
        values = times(texts, zone, day)
        return values, reasons_of(texts, values, "not a time; write it like 2026-11-03T09:30 or 09:30")
    values = read_numbers(texts)
    values = values.set(~values.is_between(0, MOST), None)
    return values, reasons_of(texts, values, "not a number from 0 up")


def reasons_of(texts: pl.Series, values: pl.Series, reason: str) -> pl.Series:
    """The reason where a text gave no value, else null."""
    bad = [text is not None and value is None for text, value in zip(texts, values, strict=True)]
    return pl.Series([reason if is_bad else None for is_bad in bad], dtype=pl.String)


def times(texts: pl.Series, zone: str, day: date) -> pl.Series:
    """Times as UTC; HH:MM is local, on the day."""
    read = read_times(texts, (), zone)["time"]
    clocks = [local_time(day, t, zone) if t and CLOCK.fullmatch(t) else None for t in texts]
    return read.zip_with(read.is_not_null(), pl.Series(clocks, dtype=UTC_US))
