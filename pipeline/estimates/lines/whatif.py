"""What a change at one site would do to its waits, from what is known now: more stations, booths, scanners, a repair.

The particles at T run on twice on the same chances, once as it is and once changed; the difference is taken particle by
particle, so what both share (how many come, how fast people are served) drops out of it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.contracts.asked import WhatIf
from pipeline.contracts.known import Known, empty
from pipeline.contracts.words import CAN_BE_ADDED
from pipeline.errors import UsageError
from pipeline.estimates.lines.filter import HEAD, SHUT, UP, Array, Floats, Places, is_dark
from pipeline.estimates.lines.lines import Day, LineStates, day_of, states_of
from pipeline.estimates.lines.replay import some_places
from pipeline.estimates.lines.runs import LINES, Run, repeated, run_on, with_scanners

MOST_ADDED = 100  # of one kind, at one site [count]; our choice


@dataclass(frozen=True)
class Change:
    """What is done at a site, and from when (None: at T): things added by kind, units repaired."""

    site_id: str
    add: Mapping[str, int] = field(default_factory=dict)
    repair: tuple[str, ...] = ()
    from_at: datetime | None = None

    def said(self) -> str:
        """The change in words."""
        more = [f"{n} more {CAN_BE_ADDED[kind]}{'s' if n > 1 else ''}" for kind, n in self.add.items()]
        return " and ".join([*more, *[f"{unit} repaired" for unit in self.repair]])


def whatif(known: Known, readings: pl.DataFrame, supply: pl.DataFrame, change: Change) -> pl.DataFrame:
    """The waits at one site as it is and changed: WhatIf, a row a line and one for all of them.

    Parameters
    ----------
    readings, supply : what the tickets say, what every unit runs on (`Answers` has both)

    Raises
    ------
    UsageError : for a site, unit, kind, number or time that cannot be meant.
    """
    day = only_site(day_of(known, readings, supply), checked(known, change).site_id)
    states = states_of(known, day)
    start = when(states, change)
    z, before, after = variants(states, change)
    if start <= states.column:
        mend(z, states, change)
        note = stopped_note(states, states.state[:, 0], change, states.column)
        run = run_on(z, before, after, states.habits, states.column, start)
    else:
        run, note = run_to_change(z, before, after, states, change, start)
    at = change.from_at or known.at
    return rows_of(run, change, states, at, note)


def checked(known: Known, change: Change) -> Change:
    """The change, if it can be meant."""
    if change.site_id not in known.sites["site_id"].to_list():
        raise UsageError(f"--site {change.site_id}: no site of the roster. Name a site_id as sites.csv has it.")
    if not change.add and not change.repair:
        raise UsageError("Nothing is changed. Add --add checkin-station=1 (or booth, scanner), or --repair UNIT.")
    for kind, number in change.add.items():
        if kind not in CAN_BE_ADDED or not 1 <= number <= MOST_ADDED:
            raise UsageError(
                f"--add {kind}={number}: not one of {', '.join(CAN_BE_ADDED)} with a whole number from 1 to "
                f"{MOST_ADDED}. Write it like checkin-station=1."
            )
    if change.from_at is not None and change.from_at < known.at:
        raise UsageError(
            f"--from {change.from_at.isoformat()}: before the time at which this was known. Ask with --at that time."
        )
    return change


def only_site(day: Day, site_id: str) -> Day:
    """The day of one site, so that nothing else is replayed; the county's day is learnt from all of them before."""
    s = day.facts.site_ids.index(site_id)
    here = np.array([s])

    def own(rows: pl.DataFrame) -> pl.DataFrame:
        return rows.filter(pl.col("site") == s).with_columns(site=pl.lit(0, rows.schema["site"]))

    seen = replace(
        day.seen, scans=own(day.seen.scans), windows=own(day.seen.windows), counts=own(day.seen.counts),
        calls=own(day.seen.calls), through=own(day.seen.through),
    )  # fmt: skip
    return replace(
        day, facts=day.facts.of(here), places=some_places(day.places, here), seen=seen, spread=day.spread[here],
        particles=day.particles[here],
    )  # fmt: skip


def when(states: LineStates, change: Change) -> int:
    """The column from which the change counts."""
    if change.from_at is None:
        return states.column
    start = states.column + int((change.from_at - states.at).total_seconds() // 60)
    last = states.places.rates.shape[1] - 1
    if start > last:
        end = states.at + timedelta(minutes=last - states.column)
        raise UsageError(
            f"--from {change.from_at.isoformat()}: after the day's end ({end:%H:%M} UTC). Name a time in it."
        )
    return start


def variants(states: LineStates, change: Change) -> tuple[Array, Places, Places]:
    """The site twice, as it is and changed: particles, and its places before and after."""
    z, places = with_scanners(states.state, states.places, change.add.get("scanner", 0))
    before = repeated(places, [0, 0])
    stations, booths, dark = before.stations.copy(), before.booths.copy(), before.dark_from.copy()
    stations[1] += change.add.get("checkin-station", 0)
    booths[1] += change.add.get("booth", 0)
    own = int(states.places.scanners[0])
    dark[1, own : own + change.add.get("scanner", 0)] = np.inf
    after = replace(before, stations=stations, booths=booths, dark_from=dark)
    return np.repeat(z, 2, axis=1), before, after


def run_to_change(
    z: Array, before: Places, after: Places, states: LineStates, change: Change, start: int
) -> tuple[Run, str]:  # fmt: skip
    """A change that lies ahead: the particles run to it first, and what is repaired is repaired then."""
    early = replace(before, rates=before.rates[:, :start], serving=before.serving[:, :start])
    run_on(z, early, early, states.habits, states.column, start)
    note = stopped_note(states, z[:, 0], change, start)
    mend(z, states, change)
    return run_on(z, before, after, states.habits, start - 1, start), note


def unit_slot(states: LineStates, unit_id: str) -> tuple[str, int]:
    """Which scanner or poll book of the site a unit is."""
    for kind, units in (("scanner", states.roster.scanners[0]), ("book", states.roster.poll_books[0])):
        if unit_id in units:
            return kind, units.index(unit_id)
    site = states.roster.site_ids[0]
    raise UsageError(
        f"--repair {unit_id}: no scanner or poll book deployed at {site}. Name one of its unit_ids "
        f"({', '.join(states.roster.scanners[0] + states.roster.poll_books[0]) or 'it has none'})."
    )


def mend(z: Array, states: LineStates, change: Change) -> None:
    """Repair the named units in the changed variant, in place. A repair does not bring power back."""
    for unit in change.repair:
        kind, slot = unit_slot(states, unit)
        if kind == "scanner":
            z[HEAD + slot, 1] = UP
        else:
            z[SHUT, 1] = np.maximum(z[SHUT, 1] - 1, 0)


def stopped_note(states: LineStates, z: Array, change: Change, column: int) -> str:
    """How sure it is that what is to be repaired stands still."""
    said = []
    for unit in change.repair:
        kind, slot = unit_slot(states, unit)
        if kind == "book":
            said.append(f"{unit}: a check-in station is believed lost with chance {float((z[SHUT] > 0).mean()):.0%}")
            continue
        said.append(f"{unit}: believed stopped with chance {float((z[HEAD + slot] != UP).mean()):.0%}")
        if is_dark(states.places, np.array([0]), np.array([slot]), min(column, states.column)).any():
            said.append(f"{unit} is without power, which a repair does not bring back")
    return "; ".join(said)


def rows_of(run: Run, change: Change, states: LineStates, at: datetime, note: str) -> pl.DataFrame:
    """The rows of `WhatIf`."""
    per_line = list(run.voter_minutes) + [run.voter_minutes.sum(axis=0)]
    voters = np.maximum(run.voters, 1.0)  # nobody to come waits nothing
    basis = "; ".join(part for part in (states.basis[0, 0], note) if part)
    rows = []
    for name, minutes in zip((*LINES, "all"), per_line, strict=True):
        waits = minutes / voters
        rows.append(
            (change.site_id, name, at, change.said(), float(run.voters[0].mean()), float(waits[0].mean()),
             float(waits[1].mean()), *three(waits[1] - waits[0]), float(minutes[0].mean()), float(minutes[1].mean()),
             *three(minutes[1] - minutes[0]), basis)
        )  # fmt: skip
    return pl.DataFrame(rows, schema=dict(empty(WhatIf).schema), orient="row")


def three(values: Floats) -> tuple[float, float, float]:
    """Mean, 5 % and 95 %."""
    low, high = np.quantile(values, (0.05, 0.95))
    return float(values.mean()), float(low), float(high)
