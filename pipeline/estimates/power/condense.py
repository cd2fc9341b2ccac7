"""A day's reports without those that repeat what a unit has said before: all that the estimates of power need.

Reports come every few minutes and mostly say `mains, 100 %`. Of each run of equal words the first and the last stay;
of reports from a battery, all.
"""

from dataclasses import replace
from typing import NewType, cast

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from pipeline.contracts.events import StatusRows
from pipeline.contracts.known import Known
from pipeline.contracts.words import POWER_SOURCES

# What is known, its reports condensed: by unit and time, each with its unit's `row` in the roster
Brief = NewType("Brief", Known)
POWER = pl.Enum(POWER_SOURCES)
Switches = NDArray[np.bool_]
Whole = NDArray[np.int64]
NAMES = ("unit_id", "occurred_at", "sequence", "power", "battery_percent")


def condensed(known: Known) -> Brief:
    """The same, its reports received by T condensed; doing it twice changes nothing."""
    return numbered(replace(known, status=cast(DataFrame[StatusRows], telling(known.status))))


def numbered(known: Known) -> Brief:
    """The same, each report with its unit's row in the roster, and what it runs on as a number: quicker than names.

    A report of a unit that no roster lists tells nothing here (it waits in quarantine).
    """
    rows = known.units.select("unit_id").with_row_index("row")
    status = known.status.join(rows, on="unit_id", how="inner", maintain_order="left")
    status = status.with_columns(pl.col("power").cast(POWER))
    return Brief(replace(known, status=cast(DataFrame[StatusRows], status)))


def saying(status: pl.DataFrame, column: str, until: int | None = None) -> slice | Whole:
    """Which reports say something in a column (and are of no time after `until` [us]); all: a slice, without a copy."""
    at = status["occurred_at"].cast(pl.Int64).to_numpy()
    is_late = until is not None and bool(len(at)) and at.max() > until
    if not is_late and not status[column].null_count():
        return slice(None)
    said = status[column].is_not_null().to_numpy()
    return np.flatnonzero(said & (at <= until) if until is not None else said)


def last_of_each(unit: NDArray[np.integer]) -> Whole:
    """Where the last report of each unit stands, among reports in the order of their units."""
    return np.flatnonzero(np.append(unit[1:] != unit[:-1], True)[: len(unit)])


def from_battery(status: pl.DataFrame, which: slice | Whole) -> Switches:
    """Whether each of these reports, which tell what a unit runs on, comes from its battery."""
    return np.asarray(status["power"].to_physical().to_numpy()[which] == POWER.categories.index_of("battery"), bool)


def telling(status: pl.DataFrame) -> pl.DataFrame:
    """The reports that begin or end a run of equal words of a unit, or come from a battery; by unit and time.

    Columns that say nothing of power are left out.
    """
    said = status.select(NAMES).filter(pl.col("power").is_not_null() | pl.col("battery_percent").is_not_null())
    rows = by_unit_and_time(said)
    keys = ("code", "power", "battery_percent")
    is_new = pl.any_horizontal(pl.col(key).ne_missing(pl.col(key).shift()) for key in keys)
    marked = rows.with_columns(is_first=is_new)
    is_last = pl.col("is_first").shift(-1, fill_value=True)
    on_battery = (pl.col("power") == "battery").fill_null(False)  # each is a point of the line, a repeated one too
    return marked.filter(pl.col("is_first") | is_last | on_battery).select(NAMES)


def by_unit_and_time(said: pl.DataFrame) -> pl.DataFrame:
    """The reports in one order, however they came; `code` numbers the units."""
    # Numbers sort several times faster than names, and categories find the different ones so.
    ids = said["unit_id"].cast(pl.Categorical).unique().cast(pl.String).drop_nulls().sort()
    rows = said.with_columns(code=pl.col("unit_id").cast(pl.Enum(ids)).to_physical()).sort("code", maintain_order=True)
    is_same = pl.col("code").eq_missing(pl.col("code").shift())
    is_later = pl.col("occurred_at") > pl.col("occurred_at").shift()
    # Mostly the reports of a unit come in the order of their times; only where two of one time may stand either way, or
    # one came late, is there more to sort by.
    if rows.select((~is_same | is_later).fill_null(False).all()).item():
        return rows
    return rows.sort("code", "occurred_at", "sequence", "power", "battery_percent")
