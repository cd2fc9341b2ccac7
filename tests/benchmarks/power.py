"""Power at the size of a state: a day of reports replayed, and one update of all units: python tests/benchmarks/power.py.

20,000 units on 400 circuits, 300 outages, a report a unit every five minutes from 06:00 to 06:00 (5.8 M). `replay` reads
the whole day's reports once and answers at the end of it; `update` answers again with what is newest of each unit.
Seconds are this machine's.
"""

import gc
import resource
import sys
import time
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from pipeline.contracts import events
from pipeline.contracts.known import County, Known, empty
from pipeline.estimates.power import learnt, power
from pipeline.estimates.power.condense import Brief, condensed
from pipeline.settings import Settings

START = datetime(2026, 11, 3, 12, tzinfo=UTC)
UNITS, SITES, CIRCUITS, OUTAGES = 20_000, 4_000, 400, 300
EVERY = 5  # minutes between reports [min]
STAMP = pl.Datetime("us", "UTC")
TYPES = ["scan-single", "electronic-poll-book", "electronic-poll-book", "electronic-poll-book", "bmd"]


def filled(model: type, columns: dict) -> pl.DataFrame:
    """A frame of a model; columns that are not given are null."""
    shape = empty(model)
    given = pl.DataFrame(columns)
    return given.select((pl.col(n) if n in columns else pl.lit(None)).cast(t).alias(n) for n, t in shape.schema.items())


def rosters() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Sites, and five units each."""
    ids = [f"S{i:05}" for i in range(SITES)]
    sites = filled(
        events.SiteRows,
        {
            "site_id": ids,
            "circuit": [f"K{i % CIRCUITS:03}" for i in range(SITES)],
            "opens_at": pl.Series([START] * SITES, dtype=STAMP),
            "closes_at": pl.Series([START + timedelta(hours=34)] * SITES, dtype=STAMP),
        },
    )
    units = filled(
        events.UnitRows,
        {
            "unit_id": [f"U{i:05}" for i in range(UNITS)],
            "site_id": [ids[i // 5] for i in range(UNITS)],
            "type": [TYPES[i % 5] for i in range(UNITS)],
            "battery_minutes": [240.0] * UNITS,
            "battery_age_years": [float(i % 6) for i in range(UNITS)],
            "charge_at_open": [1.0] * UNITS,
        },
    )
    return sites, units


def outages(rng: np.random.Generator, minutes: int) -> pl.DataFrame:
    """300 outages over the day, lognormal in length; the last ones still run."""
    began = np.sort(rng.uniform(30, minutes, OUTAGES))
    lasted = rng.lognormal(4.5, 0.9, OUTAGES)
    over = began + lasted < minutes
    at = [START + timedelta(minutes=float(m)) for m in began]
    back = [START + timedelta(minutes=float(b + m)) if o else None for b, m, o in zip(began, lasted, over, strict=True)]
    return filled(
        events.OutageRows,
        {
            "outage_id": [f"O{i}" for i in range(OUTAGES)],
            "circuit": [f"K{c:03}" for c in rng.choice(CIRCUITS, OUTAGES, replace=False)],
            "started_at": pl.Series(at, dtype=STAMP),
            "estimated_restoration_at": pl.Series([t + timedelta(minutes=90) for t in at], dtype=STAMP),
            "restored_at": pl.Series(back, dtype=STAMP),
            "customers": rng.integers(50, 2000, OUTAGES),
            "received_at": pl.Series(at, dtype=STAMP),
        },
    )


def reports(listed: pl.DataFrame, minutes: int) -> pl.DataFrame:
    """A report a unit every five minutes: mains, or its battery running down while its circuit is out."""
    often = minutes // EVERY
    unit, turn = np.tile(np.arange(UNITS), often), np.repeat(np.arange(often), UNITS)
    at = (turn * EVERY + 1.0) + (unit % 240) / 60
    circuit = unit // 5 % CIRCUITS
    began, back = np.full(CIRCUITS, np.inf), np.full(CIRCUITS, np.inf)
    for row in listed.iter_rows(named=True):
        which = int(row["circuit"][1:])
        began[which] = (row["started_at"] - START).total_seconds() / 60
        back[which] = (row["restored_at"] - START).total_seconds() / 60 if row["restored_at"] else np.inf
    off = (at >= began[circuit]) & (at < back[circuit])
    spent = np.where(off, at - np.where(np.isfinite(began[circuit]), began[circuit], 0.0), 0.0)
    percent = np.round(np.clip(100 - spent / 2, 0, 100))
    alive = percent > 0
    when = np.datetime64(START.replace(tzinfo=None), "us") + (at[alive] * 60e6).astype("timedelta64[us]")
    moments = pl.Series(when).dt.replace_time_zone("UTC")
    names = pl.Series([f"U{i:05}" for i in range(UNITS)])
    columns = {
        "unit_id": names.gather(unit[alive]),
        "at": moments,
        "occurred_at": moments,
        "received_at": moments,
        "sequence": turn[alive],
        "power": pl.Series(np.where(off[alive], 1, 0)).replace_strict({0: "mains", 1: "battery"}),
        "battery_percent": percent[alive],
    }
    return filled(events.StatusRows, columns)


def known(sites: pl.DataFrame, units: pl.DataFrame, listed: pl.DataFrame, status: pl.DataFrame, minutes: int) -> Known:
    """What is known at the end."""
    tables = {k.replace("-", "_"): empty(m) for k, m in events.TABLES.items() if k != "county"}
    tables |= {"sites": sites, "units": units, "outages": listed, "status": status}
    county = County("Juniper Flats County", "America/Chicago", date(2026, 11, 3))
    return Known(at=START + timedelta(minutes=minutes), county=county, settings=Settings(), **tables)  # type: ignore[arg-type]


def loads(sites: pl.DataFrame) -> pl.DataFrame:
    """Every site open, a line of five and one arrival a minute."""
    ones = {"checkin_waiting": 5.0, "scanner_waiting": 5.0, "arrivals_per_minute": 1.0, "minutes_to_close": 600.0}
    rest = {f"remaining_voters_{n}": v for n, v in (("low", 400.0), ("mean", 500.0), ("high", 600.0))}
    numbers = {k: [v] * sites.height for k, v in (ones | rest).items()}
    return filled(events.SiteLoads, {"site_id": sites["site_id"], "is_open": [True] * sites.height, **numbers})


def timed(held: Brief, load: pl.DataFrame) -> tuple[float, float, pl.DataFrame]:
    """Seconds of one whole answer, seconds of processor time, and the answer."""
    readings, notes = empty(events.TicketReadings), empty(events.PowerReadings)
    gc.collect()
    start, spent = time.perf_counter(), time.process_time()
    batteries = learnt.learnt_fleet(held)
    found = power.judged(held, readings, notes, batteries)
    supply = power.supply_states(held, found, notes)
    answer = power.power(held, supply, load, power.stakes(held, supply, load, found))
    return time.perf_counter() - start, time.process_time() - spent, answer


def main() -> None:
    """Prints seconds of the replay and of the update, and the memory at its highest."""
    minutes = int(sys.argv[1]) if len(sys.argv) > 1 else 24 * 60
    rng = np.random.default_rng(6)
    sites, units = rosters()
    listed = outages(rng, minutes)
    status = reports(listed, minutes)
    held, load = known(sites, units, listed, status, minutes), loads(sites)
    start, spent = time.perf_counter(), time.process_time()
    brief = condensed(held)
    first = time.perf_counter() - start
    first_spent = time.process_time() - spent
    took, spent, answer = timed(brief, load)
    took, spent = took + first, spent + first_spent
    words = answer["supply"].value_counts(sort=True).rows()
    print(
        f"replay: {status.height:,} reports of {UNITS:,} units in {took:.2f} s ({first:.2f} s to condense to {brief.status.height:,}; {spent:.1f} s of CPU); {words}"
    )
    times, spent_each = zip(*(timed(brief, load)[:2] for _ in range(5)), strict=True)
    print(
        f"update of all: {min(times) * 1000:.0f} ms at best of 5, {max(times) * 1000:.0f} at worst; "
        f"{min(spent_each) * 1000:.0f} to {max(spent_each) * 1000:.0f} ms of CPU"
    )
    print(f"memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB at its highest")


if __name__ == "__main__":
    main()
