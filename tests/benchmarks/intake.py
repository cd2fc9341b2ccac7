"""Intake against plain polars-to-DuckDB of the same files, in the same run: python tests/benchmarks/intake.py [ROWS].

Prints seconds, rows a second and the ratio for status lines, tickets without their reading, and a re-export of known
tickets. Compare the ratios: the seconds are this machine's.
"""

import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipeline import run
from pipeline.sources.folder import gather
from pipeline.store.book import open_book

NOW = datetime(2026, 11, 4, 12, tzinfo=UTC)
START = datetime(2026, 11, 3, 12, tzinfo=UTC)
COUNTY = 'name = "Quillback County"\nzone = "America/Chicago"\nelection_day = 2026-11-03\n'
UNITS = 5_000


def rosters(folder: Path) -> None:
    """A county of as many sites as units."""
    (folder / "county.toml").write_text(COUNTY)
    rows = [f"S{i},Hall {i},41.0,-93.0,07:00,20:00,500,2,8" for i in range(UNITS)]
    (folder / "sites.csv").write_text(
        "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
        + "\n".join(rows)
        + "\n"
    )
    units = [f"U{i},S{i},scan-single" for i in range(UNITS)]
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


def ticket_file(path: Path, rows: int) -> None:
    """Tickets of many callers."""
    with path.open("w") as file:
        file.write(
            "ticket_id,opened_at,site,unit,caller,text,urgency,status,assigned_at,rover_id,arrived_at,resolved_at,resolution\n"
        )
        for i in range(rows):
            at = (START + timedelta(seconds=i % 40_000)).isoformat()
            file.write(
                f'T{i},{at},Hall {i % UNITS},U{i % UNITS},Caller {i % 997},"paper stuck at station {i % 7}, please call back 555-01{i % 90 + 10}",high,resolved,{at},R{i % 30},{at},{at},cleared\n'
            )


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


def timed(step: Callable[[], object]) -> float:
    """Seconds that a step takes."""
    start = time.perf_counter()
    step()
    return time.perf_counter() - start


def report(name: str, rows: int, seconds: float, floor: float | None) -> None:
    """One line of the result."""
    ratio = f", {seconds / floor:5.2f} x plain ({floor:.2f} s)" if floor else ""
    print(f"{name:28} {seconds:7.2f} s {rows / seconds:10,.0f} rows/s{ratio}", flush=True)


def main(rows: int) -> None:
    """All measurements."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rosters").mkdir()
        rosters(folder / "rosters")
        status_file(folder / "status-1.jsonl", rows)
        ticket_file(folder / "tickets-1.csv", rows)
        ticket_file(folder / "tickets-2.csv", min(rows, 5_000))
        book = open_book(folder / "book", create=True)
        with run.Writer(book, NOW) as writer:
            writer.take(gather([folder / "rosters"], NOW), NOW)
            for kind, file, plain in (
                ("status", "status-1.jsonl", plain_status),
                ("tickets", "tickets-1.csv", plain_tickets),
            ):
                floor = timed(lambda p=plain, f=file, k=kind: p(folder / f, folder / f"{k}.duckdb"))
                seconds = timed(lambda f=file: writer.take(gather([folder / f], NOW), NOW))
                report(kind, rows, seconds, floor)
            report(
                "re-export of 5,000 known",
                5_000,
                timed(lambda: writer.take(gather([folder / "tickets-2.csv"], NOW), NOW)),
                None,
            )
    print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.2f} GiB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
