"""Rows in the words of the board: names for ids, the county's clock for times, whole percent for chances."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import polars as pl

from dashboard import figures, words
from dashboard.data import Picture

PARTS = ("chance", "share", "confidence", "holds_hour")  # a column that begins so is a part of one
CODES = ("option", "fault_class", "fix", "stage", "next_step", "waiting_for", "parts")  # columns of codes of ours
LEAST = 0.001  # below this a number is told as under it; our choice
NONE = "–"  # what a cell says that has nothing to say: none, or not told
HEADS = {
    "chance_no_checkin": "Chance of no check-in",
    "chance_no_scanner": "Chance of no scanner",
    "chance_no_accessible": "Chance of no accessible unit",
    "chance_off": "Chance of no mains",
    "chance_over_3": "Chance over 3 times",
    "broken_at": "Broken since",
    "broken": "What broke it",
    "done_at_mean": "Done, about",
    "expected_dark_minutes": "Dark minutes, expected",
    "expected_voter_minutes": "Voter-minutes, expected",
    "faults_weighed": "Faults, each by how sure",
    "expected_faults": "Expected of its like",
    "rate_ratio_mean": "Times the rate of its like",
    "q_value": "Chance of a false alarm (q)",
    "median_minutes": "Half have come back after, min",
    "watched_minutes": "Watched, min",
    "work_minutes": "Work, min",
    "voter_minutes_saved": "Voter-minutes saved",
    "saved_in_30": "Saved if begun in 30 min",
    "saved_in_60": "Saved if begun in 60 min",
    "saved_in_120": "Saved if begun in 120 min",
    "latest_at": "Of use until",
    "restoration_at": "Power promised",
    "back_at_median": "Power back, about",
    "spare_site_id": "Spare is at",
    "spare_ids": "Spares",
    "unit_ids": "Units",
    "basis": "Stands on",
    "marks": "Remark",
}
NOWHERE = {"spare_site_id": "depot"}  # what a place that is not told means


def shown(picture: Picture, frame: pl.DataFrame, leave_out: Sequence[str] = ()) -> list[dict[str, Any]]:
    """The rows of a frame in the words of the board; an interval stands with its mean."""
    columns = [c for c in frame.columns if c not in leave_out and not c.endswith(("_low", "_high"))]
    return [{head(c): cell(picture, row, c) for c in columns} for row in frame.iter_rows(named=True)]


def head(column: str) -> str:
    """A column's name as a heading."""
    if column in HEADS:
        return HEADS[column]
    column = column.removeprefix("is_")
    plain = column.removesuffix("_id").removesuffix("_mean").removesuffix("_at").replace("_", " ")
    return words.capital(plain)


def cell(picture: Picture, row: dict[str, Any], column: str) -> Any:
    """One value in words."""
    value, stem = row[column], column.removesuffix("_mean").removesuffix("_median")
    low, high = row.get(f"{stem}_low"), row.get(f"{stem}_high")
    if value is None:
        return NOWHERE.get(column, NONE)
    if column.endswith("site_id"):
        return figures.names(picture).get(value, value)
    if isinstance(value, datetime):
        at = words.clock(value, picture.zone, picture.at)
        return f"{at} ({words.span(low, high, picture.zone, picture.at)})" if isinstance(low, datetime) else at
    if isinstance(value, list):
        return ", ".join(words.plain(v) if column in CODES else str(v) for v in value) or NONE
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        say = words.percent if column.startswith(PARTS) else number
        return (
            f"{say(value)} ({say(low)}–{say(high)})"
            if isinstance(low, float) and isinstance(high, float)
            else say(value)
        )
    return words.plain(value) if column in CODES else value


def number(value: float) -> str:
    """A number to two figures, thousands apart: more would be pretence. What is next to nothing says so."""
    if 0 < value < LEAST:
        return f"under {LEAST:g}"
    return f"{value:,.0f}" if abs(value) >= 10 else f"{value:.2g}"
