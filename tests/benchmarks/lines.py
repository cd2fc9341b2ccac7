"""The lines of invented counties of any size: python tests/benchmarks/lines.py [SITES ...].

Seconds are of processor time, and by the clock in brackets, which other work on the machine lengthens. A day is replayed
whole where no checkpoint is kept. Then an hour goes by in steps of five minutes: in each, every site begins at the last of
its checkpoints that the new rows leave valid.
"""

import dataclasses
import resource
import sys
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipeline.contracts import events
from pipeline.contracts.events import TABLES
from pipeline.contracts.known import County, Known, empty
from pipeline.estimates.lines import ahead, checkpoints, lines, observations, orders, replay, siterows, told
from pipeline.estimates.lines.arrivals import hourly_shares
from pipeline.settings import Settings

OPENS = datetime(2026, 11, 3, 12, tzinfo=UTC)  # 07:00 in the county
HOURS = 13
VOTERS = 900
STATIONS = 3


def framed(model: type, columns: dict[str, object]) -> pl.DataFrame:
    """Columns of a table, the rest null."""
    blank = empty(model)
    frame = pl.DataFrame(columns)
    missing = [pl.lit(None, dtype).alias(name) for name, dtype in blank.schema.items() if name not in frame.columns]
    return frame.with_columns(missing).select(pl.col(n).cast(t) for n, t in blank.schema.items())


def counters(units: list[str], rng: np.random.Generator) -> pl.DataFrame:
    """Every unit's running total every ten minutes, each at its own phase; received three minutes later."""
    reports = HOURS * 6
    share = hourly_shares(7 * 60 + 10 * np.arange(reports))
    half = rng.poisson(VOTERS / 2 * share / share.sum(), (len(units), reports))
    at = np.arange(1, reports + 1)[None] * 10 + rng.uniform(0, 9, (len(units), 1))
    occurred = pl.Series(at.ravel() * 60e6).cast(pl.Duration("us")) + pl.lit(OPENS)
    frame = pl.select(unit_id=pl.Series(np.repeat(units, reports)), occurred_at=occurred).with_columns(
        received_at=pl.col("occurred_at") + timedelta(minutes=3), at="occurred_at", state=pl.lit("scanning"),
        sequence=pl.Series(np.tile(np.arange(reports), len(units))),
        ballots_counted=pl.Series(np.cumsum(half, axis=1).ravel()), content_hash=pl.lit("x"),
    )  # fmt: skip
    return framed(events.StatusRows, dict(zip(frame.columns, frame.get_columns(), strict=True)))


def county(sites: int) -> Known:
    """A whole day of `sites` sites with two scanners each, a count at one in three sites every two hours."""
    rng = np.random.default_rng(5)
    ids = [f"S{k:05}" for k in range(sites)]
    units = [f"U{k:05}-{n}" for k in range(sites) for n in (1, 2)]
    sizes = VOTERS * np.exp(0.3 * rng.standard_normal(sites))
    roster = {"site_id": ids, "expected_voters": sizes, "checkin_stations": [STATIONS] * sites, "booths": [12] * sites}
    hours = {"opens_at": [OPENS] * sites, "closes_at": [OPENS + timedelta(hours=HOURS)] * sites}
    counted = [(s, OPENS + timedelta(hours=h, minutes=7)) for s in ids[::3] for h in range(1, HOURS, 2)]
    counts = {
        "site_id": [s for s, _ in counted], "at": [t for _, t in counted], "received_at": [t for _, t in counted],
        "checkin_line": rng.poisson(3, len(counted)).astype(float), "scanner_line": [0.0] * len(counted),
    }  # fmt: skip
    tables = {name.replace("-", "_"): empty(model) for name, model in TABLES.items()}
    tables |= {
        "sites": framed(events.SiteRows, roster | hours),
        "units": framed(
            events.UnitRows,
            {"unit_id": units, "site_id": [u[1:6] for u in units], "type": ["scan-single"] * len(units)},
        ).with_columns(site_id="S" + pl.col("site_id"), role=pl.lit("deployed")),
        "status": counters(units, rng), "line_counts": framed(events.LineCountRows, counts),
    }  # fmt: skip
    names = {f.name for f in dataclasses.fields(Known)} - {"county", "settings"}
    kept: dict[str, Any] = {name: table for name, table in tables.items() if name in names}
    facts = County("Larkmoor County", "America/Chicago", date(2026, 11, 3))
    return Known(at=OPENS + timedelta(hours=HOURS), county=facts, settings=Settings(), **kept)


def at(known: Known, hours: float, sites: list[str] | None = None) -> Known:
    """What was known some hours after opening, of some sites."""
    moment = OPENS + timedelta(hours=hours)
    cut: dict[str, Any] = {
        name: getattr(known, name).filter(pl.col("received_at") <= moment) for name in ("status", "line_counts")
    }
    if sites is not None:
        cut |= {name: getattr(known, name).filter(pl.col("site_id").is_in(sites)) for name in ("sites", "units")}
    return dataclasses.replace(known, at=moment, **cut)


def timed(what: Callable[[], Any]) -> tuple[str, Any]:
    """Seconds of processor time and by the clock, and the answer."""
    took, answer = seconds(what)
    return in_words(took), answer


def seconds(what: Callable[[], Any]) -> tuple[tuple[float, float], Any]:
    """As numbers: of processor time, by the clock."""
    start, begun = time.process_time(), time.perf_counter()
    answer = what()
    return (time.process_time() - start, time.perf_counter() - begun), answer


def in_words(took: tuple[float, float]) -> str:
    """Seconds of processor time and by the clock, in words."""
    return f"{took[0]:.2f} s ({took[1]:.2f})"


def one_hour(known: Known) -> float:
    """Seconds for one site's replay of an hour of steps and rows, what a checkpoint's rewind would cost."""
    alone = at(known, 8, ["S00000"])
    day = lines.day_of(alone, empty(events.TicketReadings), empty(events.SupplyStates))
    sites = np.array([0])
    start = replay.start_particles(alone, day.places, day.spread, sites, int(alone.settings["lines.particles"]))
    tables = siterows.tables_of(siterows.by_site(day.seen), sites, day.places.first_minute)
    took = []
    for column in (day.column - 60, day.column) * 5:
        z, begun = start.copy(), time.process_time()
        replay.replay(z, day.places, day.habits, tables, column)
        took.append(time.process_time() - begun)
    return float(np.median(took[1::2]) - np.median(took[::2]))


def measure(sites: int) -> None:
    """All figures of one county."""
    known = county(sites)
    now = at(known, 8)
    nothing = empty(events.TicketReadings), empty(events.SupplyStates)
    facts = observations.roster(now)
    said = told.head_counts(now, nothing[0], facts), told.calls(now, nothing[0], facts)
    rows, _ = timed(lambda: observations.observe(now, facts, *said, orders.moves_of([])))
    step, states = timed(lambda: lines.line_states(now, *nothing))
    steps = []
    for minutes in range(5, 65, 5):
        step_known = at(known, 8 + minutes / 60)
        steps.append(seconds(lambda known=step_known: lines.line_states(known, *nothing))[0])
    table, _ = timed(lambda: lines.lines(states))
    outlook, _ = timed(lambda: ahead.outlook(states))
    checkpoints.SHELF.clear()
    whole, _ = timed(lambda: lines.line_states(at(known, HOURS), *nothing))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(
        f"{sites:6} sites: 8 h after opening {step} (rows alone {rows}), twelve steps of five "
        f"minutes {in_words(np.median(steps, axis=0))} in the middle, {in_words(max(steps))} at most, table {table}, "
        f"outlook {outlook}, whole day {whole}, an hour of one site {1e3 * one_hour(known):.0f} ms, memory at most "
        f"{memory:.2f} GiB",
        flush=True,
    )


if __name__ == "__main__":
    for size in [int(x) for x in sys.argv[1:]] or [500, 5_000]:
        measure(size)
