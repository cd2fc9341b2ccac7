"""What really happened, as tables, to look at errors; never committed and never an input. Times in UTC."""

import json
from bisect import bisect_right
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from demo_data.simulation import places, staged
from demo_data.simulation.cast import CLOSES, OPENS
from demo_data.simulation.engine import END, Engine
from demo_data.simulation.evening import reconciliation
from demo_data.simulation.feeds import Row, moment
from demo_data.simulation.hotline import Hotline


def utc(minutes: float | None) -> datetime | None:
    """As a moment; nothing for what never ended."""
    return None if minutes is None or minutes >= END else moment(minutes).astimezone(UTC)


def turns(engine: Engine, site_id: str, line: str) -> tuple[list[float], list[float]]:
    """When somebody was called, and when that person had joined; an idle server calls whoever comes."""
    trace = [note for note in engine.trace.get((site_id, line), []) if note[1] != "join"]
    return [now for now, _, _ in trace], [joined if what == "start" else now for now, what, joined in trace]


def wait_at(called: list[float], joined: list[float], when: float) -> float | None:
    """Minutes that a voter joining at `when`, with every server busy, would wait: first come, first served."""
    for i in range(bisect_right(called, when), len(called)):
        if joined[i] >= when:
            return called[i] - when
    return None


def line_rows(engine: Engine) -> list[Row]:
    """Both lines of every site at every minute."""
    traces = {
        (s.site_id, line): turns(engine, s.site_id, line) for s in engine.sites for line in ("checkin", "scanner")
    }
    rows: list[Row] = []
    for site_id, line, at, waiting, is_free in engine.lines:
        site = engine.by_id[site_id]
        wait = 0.0 if is_free and not waiting else wait_at(*traces[site_id, line], at)
        wait = wait if site.opens <= at < site.closes else None
        rows.append({"site_id": site_id, "line": line, "at": utc(at), "waiting": waiting, "wait_minutes": wait})
    return rows


def write(where: Path, engine: Engine, hotline: Hotline, defects: list[Row]) -> None:
    """One table a file."""
    where.mkdir(parents=True, exist_ok=True)
    tables: dict[str, list[Row]] = {"lines": line_rows(engine), "defects": defects}
    units = [unit for site in engine.sites for unit in site.units]
    tables["units"] = [
        {
            "unit_id": u.unit_id, "site_id": u.site_id, "type": u.type, "bad": u.jam_rate > 0.02,
            "rate_multiple": u.jam_rate / 0.0008, "capacity_minutes": u.run_minutes, "telemetry": u.telemetry,
            "skew_minutes": u.skew,
        }
        for u in units
    ]  # fmt: skip
    tables["batteries"] = [
        {"unit_id": u, "at": utc(at), "charge": charge, "empty_at_if_off": utc(empty)}
        for u, at, charge, empty in engine.charges
    ]
    full = dict(engine.bins)
    scanners = [u for u in units if u.type == "scan-single"]
    tables["bins"] = [{"unit_id": u.unit_id, "full_at": utc(full.get(u.unit_id))} for u in scanners]
    tables["unit_spans"] = [
        {
            "unit_id": u.unit_id,
            "kind": k,
            "start_at": utc(a),
            "end_at": utc(b),
            "cause": "outage" if k == "off-mains" else k,
        }
        for u in units
        for k, a, b in u.spans
    ]
    tables["outages"] = [
        {"outage_id": i or f"blip-{c}", "circuit": c, "start_at": utc(a), "end_at": utc(b)}
        for i, c, a, b in engine.outage_truth
    ]
    tables["tickets"] = [
        {
            "ticket_id": t.ticket_id, "site_id": t.true_site or None, "unit_id": t.true_unit, "primary": t.category,
            "categories": t.categories, "event_id": t.event_id, "same_as": t.same_as, "unit_in_text": t.unit_in_text,
        }
        for t in hotline.tickets
    ]  # fmt: skip
    tables["events"] = [
        {
            "event_id": e.event_id, "kind": e.category, "site_id": e.site.site_id,
            "unit_id": e.unit.unit_id if e.unit else None, "start_at": utc(e.start),
            "end_at": utc(e.finish or e.ends), "rover": e.by_rover,
        }
        for e in hotline.troubles
    ]  # fmt: skip
    causes = {
        staged.EMERGENCY_NOT_ADDED: "emergency",
        staged.RESCANNED: "rescanned",
        staged.POLL_BOOK_BEHIND: "poll-book",
    }
    causes |= {staged.PROVISIONAL_COUNTED: "provisional", staged.UNEXPLAINED: "unexplained"}
    recon: list[Row] = []
    for row in reconciliation(engine):
        off = int(str(row["checked_in"])) - int(str(row["ballots_counted"])) - int(str(row["emergency_counted"]))
        site_id = str(row["site_id"])
        recon.append({"site_id": site_id, "difference": off, "cause": causes.get(site_id, "left" if off else None)})
    tables["recon"] = recon
    for name, rows in tables.items():
        pl.DataFrame(rows, infer_schema_length=None).write_parquet(where / f"{name}.parquet")
    facts = {
        "sites": len(engine.sites),
        "opens_at": str(utc(OPENS)),
        "closes_at": str(utc(CLOSES)),
        "zone": places.ZONE,
    }
    (where / "meta.json").write_text(json.dumps(facts))
