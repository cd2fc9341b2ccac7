"""Frames as text that other programs read: JSON, CSV, Parquet (contract: estimates out)."""

import json
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

# A spreadsheet takes a cell that starts with one of these for a formula. OWASP, "CSV Injection" (from memory).
FORMULA_STARTS = r"^[=+\-@\t\r]"
RFC3339 = "%Y-%m-%dT%H:%M:%S%.f%:z"


def stamped(frame: pl.DataFrame, at: datetime | None) -> pl.DataFrame:
    """The rows with the time that they answer for.

    `as_of` is that time on every row. `at` is added only where the table has no `at` of its own
    (in `outlook` it is the time looked ahead to, in `milestones` the time of the step).
    """
    if at is None:
        return frame
    moment = pl.lit(at.astimezone(UTC), dtype=pl.Datetime("us", "UTC"))
    frame = frame if "at" in frame.columns else frame.with_columns(at=moment)
    return frame.with_columns(as_of=moment)


def to_json(frame: pl.DataFrame, at: datetime | None = None, zone: str = "UTC") -> str:
    """The rows as an array of objects: UTF-8, no NaN or Infinity (null instead), times with an offset in `zone`.

    Parameters
    ----------
    frame : any estimate
    at : the time that the estimate answers for, see `stamped`
    zone : IANA zone in which times are written
    """
    rows = [{name: plain(value) for name, value in row.items()} for row in written(stamped(frame, at), zone).to_dicts()]
    return json.dumps(rows, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def to_csv(frame: pl.DataFrame, at: datetime | None = None, zone: str = "UTC") -> str:
    """The rows as CSV: lists joined with `;`, text that a spreadsheet would run as a formula led by an apostrophe."""
    frame = written(stamped(frame, at), zone)
    joined = [
        pl.col(name).cast(pl.List(pl.String)).list.eval(pl.element().fill_null("")).list.join(";").alias(name)
        for name, dtype in frame.schema.items()
        if isinstance(dtype, pl.List)
    ]
    safe = pl.when(pl.col(pl.String).str.contains(FORMULA_STARTS)).then("'" + pl.col(pl.String))
    return frame.with_columns(joined).with_columns(safe.otherwise(pl.col(pl.String)).name.keep()).write_csv()


def to_parquet(frame: pl.DataFrame, path: Path, at: datetime | None = None) -> None:
    """The rows as a Parquet file, with their own types; times in UTC."""
    stamped(frame, at).write_parquet(path)


def written(frame: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Times as RFC 3339 text in `zone`, ids as text, numbers that are none as null."""
    changes = []
    for name, dtype in frame.schema.items():
        column = pl.col(name)
        if isinstance(dtype, pl.Datetime):
            changes.append(local_time(column, dtype, zone).alias(name))
        elif dtype.is_float():
            changes.append(pl.when(column.is_finite()).then(column).alias(name))
        elif name.endswith("_id") and dtype != pl.String:
            changes.append(column.cast(pl.String).alias(name))
        elif name.endswith("_ids") and isinstance(dtype, pl.List):
            changes.append(column.cast(pl.List(pl.String)).alias(name))
    return frame.with_columns(changes)


def local_time(column: pl.Expr, dtype: pl.Datetime, zone: str) -> pl.Expr:
    """A time column as RFC 3339 text; a column without a zone is UTC, as everywhere inside."""
    aware = column if dtype.time_zone else column.dt.replace_time_zone("UTC")
    return aware.dt.convert_time_zone(zone).dt.strftime(RFC3339)


def plain(value: Any) -> Any:
    """A value as JSON can hold it; lists are looked through."""
    if isinstance(value, list):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.isoformat() if hasattr(value, "isoformat") else value


def together(parts: list[pl.DataFrame]) -> pl.DataFrame:
    """The answers for several times as one table."""
    return pl.concat(parts, how="diagonal_relaxed")


def as_text(frame: pl.DataFrame, form: str, zone: str) -> str:
    """The rows as JSON or CSV text."""
    return to_csv(frame, None, zone) if form == "csv" else to_json(frame, None, zone)


def write(frame: pl.DataFrame, form: str, path: Path, at: datetime | None, zone: str) -> None:
    """The rows as a JSON, CSV or Parquet file; folders on the way are made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if form == "parquet":
        to_parquet(frame, path, at)
    else:
        path.write_text(as_text(stamped(frame, at), form, zone) + ("\n" if form == "json" else ""), "utf-8")
