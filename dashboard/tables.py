"""Rows in the words of the board: names for ids, the county's clock for times, whole percent for chances."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import polars as pl

from dashboard import figures, words
from dashboard.data import Picture

PARTS = ("chance", "share", "confidence", "holds_hour")  # a column that begins so is a part of one


def shown(picture: Picture, frame: pl.DataFrame, leave_out: Sequence[str] = ()) -> list[dict[str, Any]]:
    """The rows of a frame in the words of the board; an interval stands with its mean."""
    columns = [c for c in frame.columns if c not in leave_out and not c.endswith(("_low", "_high"))]
    return [{head(c): cell(picture, row, c) for c in columns} for row in frame.iter_rows(named=True)]


def head(column: str) -> str:
    """A column's name as a heading."""
    plain = column.removesuffix("_id").removesuffix("_mean").removesuffix("_at").replace("_", " ")
    return words.capital(plain)


def cell(picture: Picture, row: dict[str, Any], column: str) -> Any:
    """One value in words."""
    value, stem = row[column], column.removesuffix("_mean").removesuffix("_median")
    low, high = row.get(f"{stem}_low"), row.get(f"{stem}_high")
    if value is None:
        return None
    if column.endswith("site_id"):
        return figures.names(picture).get(value, value)
    if isinstance(value, datetime):
        at = words.clock(value, picture.zone, picture.at)
        return f"{at} ({words.span(low, high, picture.zone, picture.at)})" if isinstance(low, datetime) else at
    if isinstance(value, list):
        return ", ".join(map(str, value)) or None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        say = words.percent if column.startswith(PARTS) else number
        return (
            f"{say(value)} ({say(low)}–{say(high)})"
            if isinstance(low, float) and isinstance(high, float)
            else say(value)
        )
    return value


def number(value: float) -> str:
    """A number to three figures, thousands apart."""
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
