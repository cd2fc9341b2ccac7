"""Everything about failures at once, 20,000 units of 30 events each: python tests/benchmarks/failures.py [UNITS] [EVENTS].

Prints seconds for the events with their probabilities, the record by class, the ranking with limits and trends, the
classes, the fixes and the fleet's curves. The seconds are this machine's; quote them with its cores and the runs.
"""

import sys
import time
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from pipeline.contracts import events
from pipeline.contracts.known import County, Known, empty
from pipeline.estimates.failures import exposure, faults, fixes, fleet, repeats
from pipeline.settings import Settings

AT = datetime(2026, 11, 3, 23, tzinfo=UTC)
SITES = 4_000


def filled(model, columns: dict[str, object], rows: int) -> pl.DataFrame:
    """A frame of the model's columns, those not given null."""
    schema = empty(model).schema
    return pl.DataFrame({n: columns.get(n, pl.Series([None] * rows, dtype=t)) for n, t in schema.items()}).cast(
        dict(schema)
    )


def county(units: int, reports: int) -> Known:
    """Units that report `reports` times; at nearly every report a counter has risen, so that there are as many events."""
    rng = np.random.default_rng(7)
    nth, step = np.tile(np.arange(units), reports), np.repeat(np.arange(reports), units)
    back = pl.Series((reports - step) * (600 // reports) * 60_000_000).cast(pl.Duration("us"))
    at = pl.select(pl.lit(AT).cast(pl.Datetime("us", "UTC")) - back).to_series()
    names = pl.select(pl.format("U{}", pl.Series(nth))).to_series()
    tables = {kind.replace("-", "_"): empty(model) for kind, model in events.TABLES.items() if kind != "county"}
    ids = [f"S{i}" for i in range(SITES)]
    hours = {"opens_at": [AT - timedelta(hours=11)] * SITES, "closes_at": [AT + timedelta(hours=1)] * SITES}
    tables["sites"] = filled(events.SiteRows, {"site_id": ids, **hours}, SITES)
    roster = {"unit_id": [f"U{i}" for i in range(units)], "site_id": [f"S{i % SITES}" for i in range(units)]}
    years = {"in_service": rng.integers(2008, 2026, units), "role": ["deployed"] * units}
    tables["units"] = filled(events.UnitRows, roster | years | {"type": ["scan-single"] * units}, units)
    told = {
        "unit_id": names,
        "at": at,
        "occurred_at": at,
        "received_at": at,
        "sequence": step,
        "state": pl.Series(np.where(rng.random(len(nth)) < 0.05, "fault", "scanning")),
        "ballots_counted": (step + 1) * rng.integers(10, 30, units)[nth],
        "misfeeds": step + 1,
        "jams": (step + 1) // 3,
        "cards": ["both"] * len(nth),
        "clock_offset_minutes": np.zeros(len(nth)),
    }
    tables["status"] = filled(events.StatusRows, told, len(nth))
    return Known(at=AT, county=County("Benchmark County", "UTC", date(2026, 11, 3)), settings=Settings(), **tables)


def main() -> None:
    """Times each step of one whole recomputation."""
    units, reports = (int(a) for a in (sys.argv[1:] + ["20000", "30"][len(sys.argv) - 1 :])[:2])
    known, readings = county(units, reports), empty(events.TicketReadings)
    start, busy = time.perf_counter(), time.process_time()
    ledger = exposure.ledger(known)
    marks = [("ledger", time.perf_counter())]
    found = faults.faults(known, readings, ledger)
    marks.append(("events", time.perf_counter()))
    for name, make in (
        ("ranking", lambda: repeats.repeats(known, found, (), ledger)),
        ("classes", lambda: repeats.kinds(known, repeats.record(known, found, (), ledger))),
        ("fixes", lambda: fixes.fixes(known, found)),
        ("fleet", lambda: fleet.fleet(known, found, ledger)),
    ):
        make()
        marks.append((name, time.perf_counter()))
    for (name, end), begin in zip(marks, [start, *(t for _, t in marks)], strict=False):
        print(f"{name:10} {end - begin:6.2f} s")
    busy = time.process_time() - busy
    print(f"{'all':10} {marks[-1][1] - start:6.2f} s for {units:,} units and {found.height:,} events")
    print(f"{'processor':10} {busy:6.2f} s over all cores")


if __name__ == "__main__":
    main()
