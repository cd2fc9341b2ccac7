"""The county's own facts: what a table cannot check, and how they are read back."""

import json
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contracts import words
from pipeline.contracts.known import County, MilestoneRule
from pipeline.errors import SettingsError
from pipeline.normalise.shape import Shaped
from pipeline.settings import flatten
from pipeline.sources.tables import Fault

RULE_PARTS = {"applies", "due", "grace_minutes"}
DUE = r"^(?:(?:opens|closes)[+-]\d+|([01]?\d|2[0-3]):[0-5]\d)$"


def county_faults(shaped: Shaped) -> Shaped:
    """The county rows that make sense; a zone, a date or an assumption that does not is a fault."""
    faults = [list(of_file) for of_file in shaped.faults]
    bad = []
    for row in shaped.good.to_dicts():
        for column, reason in facts_wrong(row):
            faults[row["file"]].append(Fault(row["row"], column, str(row[column]), reason))
            bad.append(row["file"])
    good = shaped.good.filter(~pl.col("file").is_in(bad))
    return Shaped(good, shaped.texts, shaped.extra, faults)


def facts_wrong(row: dict[str, Any]) -> list[tuple[str, str]]:
    """Column and reason of every fact that cannot be used."""
    wrong = []
    try:
        ZoneInfo(row["zone"])
    except (KeyError, ValueError, OSError):
        wrong.append(("zone", "no IANA time zone has that name; write it like America/Chicago"))
    try:
        date.fromisoformat(row["election_day"])
    except ValueError:
        wrong.append(("election_day", "not a date; write it like 2026-11-03"))
    try:
        flatten(json.loads(row["assumptions"]), "county.toml")
    except SettingsError as error:
        wrong.append(("assumptions", str(error)))
    try:
        milestone_rules(row["milestones"])
    except SettingsError as error:
        wrong.append(("milestones", str(error)))
    return wrong


def milestone_rules(text: str) -> dict[str, MilestoneRule]:
    """The `[milestones.NAME]` tables of county.toml.

    Raises
    ------
    SettingsError : for a step that does not exist, or a rule that cannot be read.
    """
    rules = {}
    for name, table in json.loads(text).items():
        where = f"county.toml, [milestones.{name}]"
        if name not in words.MILESTONES:
            raise SettingsError(f"{where}: no step has that name. Use one of {', '.join(words.MILESTONES)}.")
        if not isinstance(table, dict) or set(table) - RULE_PARTS:
            raise SettingsError(f"{where}: holds more than {', '.join(sorted(RULE_PARTS))}. Take the rest out.")
        due = str(table.get("due", ""))
        if due and not pl.Series([due]).str.contains(DUE)[0]:
            raise SettingsError(f"{where}, due: {due!r} is not like opens-30, closes+60 or 21:30. Correct it.")
        grace = table.get("grace_minutes", 0)
        if isinstance(grace, bool) or not isinstance(grace, int | float) or not 0 <= grace <= 10_000:
            raise SettingsError(f"{where}, grace_minutes: {grace!r} is not a number of minutes. Correct it.")
        rules[name] = MilestoneRule(name, bool(table.get("applies", True)), due, float(grace))
    return rules


def county_of(row: dict[str, Any]) -> County:
    """The county's facts from its row in the log."""
    has_depot = row["depot_latitude"] is not None and row["depot_longitude"] is not None
    return County(
        name=row["name"],
        zone=row["zone"],
        election_day=date.fromisoformat(row["election_day"]),
        depot=(row["depot_latitude"], row["depot_longitude"]) if has_depot else None,
        milestones=milestone_rules(row["milestones"]),
    )
