"""Alarms: thresholds that people set on any estimate, as entries; which of them sound, and on what rows.

An entry of action `alarm-set` has the alarm's name as its target; its values name the estimate, the column, `over` or
`under`, and the threshold. `alarm-muted` silences it, with the reason in `why`; a withdrawal ends either.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.contracts.estimates import ESTIMATES
from pipeline.contracts.known import Known
from pipeline.contracts.moments import spelled
from pipeline.normalise.entered import said, standing

SET, MUTED = "alarm-set", "alarm-muted"
SIDES = ("over", "under")
NAMED_BY = ("site_id", "line", "unit_id", "rover_id", "ticket_id", "milestone", "item", "style", "circuit")
MOST_NAMED = 3  # rows named in a message [count]


@dataclass(frozen=True)
class Alarm:
    """A threshold on a column of an estimate."""

    name: str
    what: str
    column: str
    side: str
    threshold: float
    is_loud: bool
    muted_why: str | None = None
    entry_id: str = ""


@dataclass(frozen=True)
class Sounding:
    """An alarm that is over its threshold: how many rows, and the worst of them in words."""

    alarm: Alarm
    rows: int
    worst: str


def numeric_columns(what: str) -> list[str]:
    """The columns of an estimate that a threshold can stand on."""
    columns = ESTIMATES[what].to_schema().columns
    return [name for name, c in columns.items() if c.dtype.type.is_numeric()]


def alarms(known: Known) -> list[Alarm]:
    """The alarms that are set, the last setting of each name; badly written ones are left out."""
    rows = standing(known.entries).filter(pl.col("action").is_in([SET, MUTED]) & pl.col("target").is_not_null())
    found: dict[str, Alarm] = {}
    for row in rows.sort("at", "received_at", "entry_id").iter_rows(named=True):
        values = said(row["values"])
        if row["action"] == SET:
            alarm = alarm_said(row["target"], values, row["entry_id"])
            if alarm:
                found[row["target"]] = alarm
        elif row["target"] in found:
            why = str(values.get("why") or "no reason given")
            found[row["target"]] = replace(found[row["target"]], muted_why=why)
    return sorted(found.values(), key=lambda a: a.name)


def alarm_said(name: str, values: Mapping[str, Any], entry_id: str) -> Alarm | None:
    """The alarm that an entry sets, None where it names no column or no number."""
    what, column = str(values.get("what")), str(values.get("column"))
    if what not in ESTIMATES or column not in numeric_columns(what) or values.get("side") not in SIDES:
        return None
    try:
        threshold = float(values["threshold"])
    except (KeyError, TypeError, ValueError):
        return None
    return Alarm(name, what, column, str(values["side"]), threshold, bool(values.get("sound")), None, entry_id)


def sounding(
    found: list[Alarm], answer: Callable[[str], pl.DataFrame], names: Mapping[str | None, str]
) -> list[Sounding]:
    """The alarms over their threshold.

    Parameters
    ----------
    answer : WHAT → its frame
    names : site names by id, for the words
    """
    out = []
    for alarm in found:
        frame = answer(alarm.what)
        if alarm.column not in frame.columns:
            continue
        value = pl.col(alarm.column)
        hit = frame.filter(value > alarm.threshold if alarm.side == "over" else value < alarm.threshold)
        if hit.height:
            worst = hit.sort(alarm.column, descending=alarm.side == "over", nulls_last=True).head(MOST_NAMED)
            out.append(
                Sounding(alarm, hit.height, "; ".join(row_said(r, alarm.column, names) for r in worst.to_dicts()))
            )
    return out


def row_said(row: Mapping[str, Any], column: str, names: Mapping[str | None, str]) -> str:
    """A row by its names and its value."""
    parts = [str(names.get(row[n], row[n])) for n in NAMED_BY if row.get(n) is not None]
    return f"{', '.join(parts)}: {row[column]:.3g}"


def in_words(sound: Sounding) -> str:
    """An alarm as one sentence."""
    a = sound.alarm
    rows = f"{sound.rows} row{'' if sound.rows == 1 else 's'}"
    return f"{a.name}: {a.what}, {a.column.replace('_', ' ')} {a.side} {a.threshold:g} in {rows}. {sound.worst}"


@dataclass
class Told:
    """What has been said of alarms, so that each is said once and its end is told."""

    since: dict[str, datetime] = field(default_factory=dict)

    def news(self, found: list[Sounding], at: datetime) -> list[str]:
        """New alarms and those that are over, as sentences; muted ones are not said."""
        loud = {s.alarm.name: s for s in found if s.alarm.muted_why is None}
        begun = [in_words(s) for name, s in loud.items() if name not in self.since]
        ended = [name for name in self.since if name not in {s.alarm.name for s in found}]
        over = [f"{name}: over, after {spelled((at - self.since[name]).total_seconds() / 60)}." for name in ended]
        for name in ended:
            del self.since[name]
        for name in loud:
            self.since.setdefault(name, at)
        return [*begun, *over]
