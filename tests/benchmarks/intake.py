"""Intake against plain polars-to-DuckDB of the same files, in the same run: intake.py [--rows N].

Prints seconds, rows a second and the ratio for status lines, for tickets without their reading, for a re-export of known
tickets and for the reading of texts, and where the time goes. Every text is different; one in five holds a telephone
number and one in five a name. Compare the ratios: the seconds are this machine's. Where other work runs beside it, the
ratio of processor time is the steadier one.
"""

import argparse
import functools
import json
import resource
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import run
from pipeline.normalise import entries
from pipeline.normalise.troubles import read_tickets
from pipeline.sources.folder import gather
from pipeline.store import intake, log, read, tree
from pipeline.store.book import open_book

NOW = datetime(2026, 11, 4, 12, tzinfo=UTC)
START = datetime(2026, 11, 3, 12, tzinfo=UTC)
COUNTY = 'name = "Quillback County"\nzone = "America/Chicago"\nelection_day = 2026-11-03\n'
UNITS = 5_000
READ_SITES, READ_TICKETS = 300, 5_000  # a county whose tickets' texts are read
STAGES: tuple[tuple[str, Any, str], ...] = (
    ("original kept, SHA-256", run.Writer, "keep"),
    ("read", run, "read_table"),
    ("typed and validated", intake, "shape"),
    ("content, on two threads", entries, "content"),
    ("as text, keys", entries, "as_text"),
    ("names and numbers masked", entries, "without_people_in"),
    ("canonical form, values", entries, "objects"),
    ("canonical form, values", entries, "members"),
    ("canonical form, values", entries, "joined"),
    ("content hash", entries, "digests"),
    ("content key", entries, "keyed_digests"),
    ("known or changed", intake, "judged"),
    ("listed in a roster", intake, "unlisted"),
    ("canonical form, entries", intake, "envelopes"),
    ("tree", tree, "grow"),
    ("leaves, DuckDB, rest of log", log.Log, "append_all"),
    ("DuckDB, one part at a time", log.Log, "_insert"),
)


def rosters(folder: Path, sites: int = UNITS) -> None:
    """A county of as many units as sites."""
    folder.mkdir()
    (folder / "county.toml").write_text(COUNTY)
    rows = [f"S{i},Hall {i},41.0,-93.0,07:00,20:00,500,2,8" for i in range(sites)]
    (folder / "sites.csv").write_text(
        "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
        + "\n".join(rows)
        + "\n"
    )
    units = [f"U{i},S{i},scan-single" for i in range(sites)]
    (folder / "units.csv").write_text("unit_id,site_id,type\n" + "\n".join(units) + "\n")


def status_file(path: Path, rows: int) -> None:
    """Status lines: every unit reports in turn."""
    with path.open("w") as file:
        for i in range(rows):
            at = START + timedelta(seconds=i // UNITS * 60 + i % 60)
            line = {
                "unit_id": f"U{i % UNITS}",
                "at": at.isoformat(),
                "sequence": i // UNITS,
                "ballots_counted": i // UNITS,
                "power": "mains",
                "battery_percent": 100,
                "misfeeds": 0,
                "jams": 0,
                "state": "scanning",
                "paper": "ok",
                "cards": "both",
                "modem": "up",
                "accessible": "connected",
            }
            file.write(json.dumps(line) + "\n")


def told(i: int) -> str:
    """What a caller says; no two say the same."""
    if i % 5 == 0:
        return f"paper stuck at station {i % 7}, tape reads {i}, please call back 555-01{i % 90 + 10}"
    if i % 5 == 1:
        return f"ask for Judge Nemo{'abcdefghij'[i % 10]}, printer {i} shows nothing on its screen"
    return f"paper stuck at station {i % 7} after {i} ballots, tried the other tray twice"


def ticket_file(path: Path, rows: int, sites: int = UNITS) -> None:
    """Tickets of many callers."""
    with path.open("w") as file:
        file.write(
            "ticket_id,opened_at,site,unit,caller,text,urgency,status,assigned_at,rover_id,arrived_at,resolved_at,resolution\n"
        )
        for i in range(rows):
            at = (START + timedelta(seconds=i % 40_000)).isoformat()
            place = f"Hall {i % sites},U{i % sites},Caller {i % 997}"
            file.write(f'T{i},{at},{place},"{told(i)}",high,resolved,{at},R{i % 30},{at},{at},cleared\n')


def plain_status(path: Path, store: Path) -> None:
    """The floor: polars reads, DuckDB keeps."""
    frame = pl.read_ndjson(path)
    with duckdb.connect(str(store)) as con:
        con.register("frame", frame.to_arrow())
        con.execute("create table status as select * from frame")


def plain_tickets(path: Path, store: Path) -> None:
    """The floor: polars reads, DuckDB keeps."""
    frame = pl.read_csv(path, infer_schema=False)
    with duckdb.connect(str(store)) as con:
        con.register("frame", frame.to_arrow())
        con.execute("create table tickets as select * from frame")


class Clock:
    """Seconds and processor seconds of steps, and of the stages within them."""

    def __init__(self) -> None:
        self.stages: dict[str, float] = {}
        self.beside: dict[str, float] = {}  # stages on other threads; the stages that wait for them count them too
        self._here = threading.local()

    def step(self, work: Callable[[], object]) -> tuple[float, float]:
        """Seconds and processor seconds that a step takes."""
        start, used = time.perf_counter(), time.process_time()
        work()
        return time.perf_counter() - start, time.process_time() - used

    @contextmanager
    def stage(self, name: str):
        """Counts what runs within as a stage, less the stages inside it."""
        start = time.perf_counter()
        inside: list[float] = self._here.__dict__.setdefault("open", [])
        inside.append(0.0)
        try:
            yield
        finally:
            took = time.perf_counter() - start
            stages = self.stages if threading.current_thread() is threading.main_thread() else self.beside
            stages[name] = stages.get(name, 0.0) + took - inside.pop()
            if inside:
                inside[-1] += took

    def watch(self, name: str, owner: Any, function: str) -> None:
        """Counts every call of a function as a stage."""
        inner = getattr(owner, function)

        @functools.wraps(inner)
        def counted(*args: Any, **more: Any) -> Any:
            with self.stage(name):
                return inner(*args, **more)

        setattr(owner, function, counted)


def report(name: str, rows: int, took: tuple[float, float], floor: tuple[float, float] | None = None) -> None:
    """One line of the result."""
    seconds, used = took
    ratio = (
        f"  {seconds / floor[0]:4.1f} x plain ({floor[0]:.2f} s), processor {used / floor[1]:4.1f} x" if floor else ""
    )
    print(f"{name:40} {seconds:7.2f} s {rows / max(seconds, 1e-9):11,.0f} rows/s{ratio}", flush=True)


def take(clock: Clock, writer: run.Writer, name: str, file: Path, rows: int, floor: tuple[float, float] | None) -> None:
    """Takes one file to the disk, as the plain way does, and reports it with its stages."""
    clock.stages.clear()
    clock.beside.clear()

    def work() -> None:
        (receipt,) = writer.take(gather([file], NOW), NOW)
        assert receipt.read == rows == receipt.accepted + receipt.already_known, receipt
        writer.log.checkpoint()

    took = clock.step(work)
    report(name, rows, took, floor)
    if floor:
        rest = took[0] - sum(clock.stages.values())
        for stage, seconds in [*clock.stages.items(), ("all else, with the checkpoint", rest)]:
            report(f"  {stage}", rows, (seconds, 0.0))
        for stage, seconds in clock.beside.items():
            report(f"    beside: {stage}", rows, (seconds, 0.0))


def measure_intake(folder: Path, rows: int, clock: Clock) -> None:
    """Status lines, tickets and a re-export, each against the plain way."""
    rosters(folder / "rosters")
    status_file(folder / "status-1.jsonl", rows)
    ticket_file(folder / "tickets-1.csv", rows)
    ticket_file(folder / "tickets-2.csv", min(rows, 5_000))
    book = open_book(folder / "book", create=True)
    with run.Writer(book, NOW) as writer:
        writer.take(gather([folder / "rosters"], NOW), NOW)
        for kind, file, plain in (
            ("status", folder / "status-1.jsonl", plain_status),
            ("tickets", folder / "tickets-1.csv", plain_tickets),
        ):
            floor = clock.step(lambda p=plain, f=file, k=kind: p(f, folder / f"{k}.duckdb"))  # type: ignore[misc]
            take(clock, writer, kind, file, rows, floor)
        take(clock, writer, "re-export of known tickets", folder / "tickets-2.csv", min(rows, 5_000), None)
        report("published", 2 * rows, clock.step(lambda: writer.publish_log(NOW)))


def measure_reading(folder: Path, clock: Clock) -> None:
    """Texts of tickets read: place, unit, trouble, severity and same trouble."""
    rosters(folder / "fewer", READ_SITES)
    ticket_file(folder / "tickets-3.csv", READ_TICKETS, READ_SITES)
    with run.Writer(open_book(folder / "read", create=True), NOW) as writer:
        writer.take(gather([folder / "fewer", folder / "tickets-3.csv"], NOW), NOW)
        known = read.known_at(writer.rows(), NOW)
    report("texts of tickets read", READ_TICKETS, clock.step(lambda: read_tickets(known)))


def main(rows: int) -> None:
    """All measurements."""
    clock = Clock()
    for name, owner, function in STAGES:
        clock.watch(name, owner, function)
    with tempfile.TemporaryDirectory() as name:
        measure_intake(Path(name), rows, clock)
        print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB", flush=True)
        measure_reading(Path(name), clock)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000, help="rows of status and of tickets")
    main(parser.parse_args().rows)
