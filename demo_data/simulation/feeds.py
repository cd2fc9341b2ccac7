"""The feeds of the day, as files: what had been received by the time each one was sent."""

import csv
import io
import json
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from demo_data.simulation import evening, places, staged
from demo_data.simulation.cast import make_spares, stream
from demo_data.simulation.engine import Engine
from demo_data.simulation.hotline import Hotline
from demo_data.simulation.reports import Report, Reporters
from demo_data.simulation.tickets import Ticket

ZONE = ZoneInfo(places.ZONE)
MIDNIGHT = datetime.fromisoformat(places.DAY).replace(tzinfo=ZONE)
EVE = -360.0  # six in the evening before: rosters
Row = dict[str, object]

COUNTY_TOML = f"""# An invented county. The day is two days after the clocks went back.
name = "{places.COUNTY}"
zone = "{places.ZONE}"
election_day = {places.DAY}

[depot]
latitude = {places.DEPOT[0]}
longitude = {places.DEPOT[1]}

# The county allows the media until an hour after midnight: the far corners are an hour's drive away.
[milestones.media-received]
due = "01:00"
grace_minutes = 15
"""


def moment(minutes: float) -> datetime:
    """Minutes after local midnight as a moment, to the second."""
    return MIDNIGHT + timedelta(seconds=round(minutes * 60))


def rfc3339(minutes: float | None) -> str:
    """With the county's offset; nothing for what has not happened."""
    return "" if minutes is None else moment(minutes).isoformat()


def local(minutes: float) -> str:
    """Local time without an offset, as some systems send it."""
    return moment(minutes).replace(tzinfo=None).isoformat()


def utc(minutes: float) -> str:
    """The utility's list is in UTC."""
    return moment(minutes).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def stamp(minutes: float) -> str:
    """Month, day and local time for a file's name, in an order that sorts."""
    return moment(minutes).strftime("%m%d-%H%M")


def csv_text(rows: Sequence[Row], columns: Sequence[str]) -> str:
    """Rows as CSV, with a header."""
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


class Folder:
    """The day's folder: files in memory, with the receipt of each."""

    def __init__(self) -> None:
        self.files: dict[str, str] = {}
        self.received: dict[str, float] = {}

    def add(self, name: str, text: str, received: float) -> None:
        self.files[name], self.received[name] = text, received

    def batches(
        self, kind: str, ending: str, reports: list[Report], every: float, form: Callable[[list[Report]], str]
    ) -> None:
        """One file for each stretch of `every` minutes in which something came in."""
        rng = stream("batches", kind)
        ends: dict[float, list[Report]] = {}
        for report in sorted(reports, key=lambda r: (r.received_at, json.dumps(r.row, sort_keys=True))):
            ends.setdefault(every * (report.received_at // every + 1), []).append(report)
        for end, batch in sorted(ends.items()):
            self.add(f"{kind}-{stamp(end)}{ending}", form(batch), end + rng.uniform(0.05, 0.6))

    def write(self, where: Path) -> None:
        """All files, and `received.csv`; the files that an earlier `received.csv` lists go."""
        where.mkdir(parents=True, exist_ok=True)
        if (where / "received.csv").exists():
            for row in csv.DictReader(io.StringIO((where / "received.csv").read_text(encoding="utf-8"))):
                (where / Path(row["file"]).name).unlink(missing_ok=True)
        rows: list[Row] = [{"file": name, "received_at": rfc3339(at)} for name, at in self.in_order()]
        for name, text in (self.files | {"received.csv": csv_text(rows, ("file", "received_at"))}).items():
            (where / name).write_bytes(text.encode("utf-8"))

    def in_order(self) -> list[tuple[str, float]]:
        return sorted(self.received.items(), key=lambda item: (item[1], item[0]))


def rosters(folder: Folder, engine: Engine, hotline: Hotline) -> None:
    """County, sites, units, rovers on the evening before; one site's extended hours in the afternoon."""
    folder.add("county.toml", COUNTY_TOML, EVE)
    columns = list(engine.sites[0].row)
    folder.add("sites.csv", csv_text([site.row for site in engine.sites], columns), EVE)
    units = [unit.row for site in engine.sites for unit in site.units] + [u.row for u in make_spares(engine.sites)]
    folder.add("units.csv", csv_text(units, list(units[0])), EVE)
    rovers = [rover.row for rover in hotline.rovers]
    folder.add("rovers.csv", csv_text(rovers, list(rovers[0])), EVE)
    late = engine.by_id[staged.LATE_OPENING].row | {"closes": staged.EXTENDED_TO}
    received = staged.EXTENSION_RECEIVED
    folder.add(f"sites-{stamp(received)}.csv", csv_text([late], columns), received)


TICKET_COLUMNS = "ticket_id opened_at site unit caller text urgency status assigned_at rover_id arrived_at resolved_at"
TICKET_COLUMNS += " resolution"


def ticket_row(ticket: Ticket, at: float) -> Row:
    """A ticket as the export of that time shows it."""

    def by(when: float | None) -> float | None:
        return when if when is not None and when <= at else None

    assigned, resolved = by(ticket.assigned_at), by(ticket.resolved_at)
    status = "resolved" if resolved is not None else "assigned" if assigned is not None else "open"
    return {
        "ticket_id": ticket.ticket_id,
        "opened_at": rfc3339(ticket.opened_at),
        "site": ticket.site,
        "unit": ticket.unit,
        "caller": ticket.caller,
        "text": ticket.text,
        "urgency": ticket.urgency,
        "status": status,
        "assigned_at": rfc3339(assigned),
        "rover_id": ticket.rover_id if assigned is not None else "",
        "arrived_at": rfc3339(by(ticket.arrived_at)),
        "resolved_at": rfc3339(resolved),
        "resolution": ticket.resolution if resolved is not None else "",
    }


def tickets(folder: Folder, hotline: Hotline) -> None:
    """Cumulative exports: every quarter of an hour until ten, then every half hour."""
    rng = stream("exports")
    times = [t for t in range(375, 1591, 15) if t <= 1320 or t % 30 == 0]
    for at in times:
        rows = [ticket_row(t, at) for t in hotline.tickets if t.opened_at <= at]
        if 11 * 60 + 30 <= at <= 13 * 60:  # a slip of the keys in the export, put right at 13:15
            rows = [r | {"opened_at": "11/3 11:6O"} if r["ticket_id"] == bad_ticket(hotline) else r for r in rows]
        if rows:
            folder.add(f"tickets-{stamp(at)}.csv", csv_text(rows, TICKET_COLUMNS.split()), at + rng.uniform(0.2, 1.4))


def bad_ticket(hotline: Hotline) -> str:
    """The first ticket opened after eleven."""
    return next(t.ticket_id for t in hotline.tickets if t.opened_at > 11 * 60)


def status(folder: Folder, reporters: Reporters) -> None:
    """Status reports every ten minutes; poll books send local times without an offset."""

    def line(report: Report) -> str:
        row = dict(report.row)
        at = float(str(row["at"]))
        row["at"] = local(at) if str(row["unit_id"]).startswith("PB") else rfc3339(at)
        return json.dumps(row)

    folder.batches("status", ".jsonl", reporters.status, 10, lambda batch: "".join(line(r) + "\n" for r in batch))


def lines(folder: Folder, reporters: Reporters) -> None:
    """Head counts, in local time without an offset."""
    columns = ("site_id", "at", "checkin_line", "scanner_line", "counted_by")

    def form(batch: list[Report]) -> str:
        return csv_text([r.row | {"at": local(float(str(r.row["at"])))} for r in batch], columns)

    folder.batches("lines", ".csv", reporters.counts, 15, form)


MILESTONE_COLUMNS = (
    "site_id",
    "milestone",
    "at",
    "reported_by",
    "item",
    "from",
    "to",
    "witness",
    "seal_in",
    "seal_out",
)


def milestones(folder: Folder, engine: Engine) -> None:
    """Opening, closing and custody steps."""

    def form(batch: list[Report]) -> str:
        return csv_text([r.row | {"at": rfc3339(float(str(r.row["at"])))} for r in batch], MILESTONE_COLUMNS)

    folder.batches("milestones", ".csv", evening.milestones(engine), 15, form)


def power_notes(folder: Folder, hotline: Hotline) -> None:
    """The power desk's notes, a line each."""
    reports = [Report(at, {"text": text}) for at, text in hotline.desk.notes]
    folder.batches("power", ".txt", reports, 10, lambda batch: "".join(f"{r.row['text']}\n" for r in batch))


def outages(folder: Folder) -> None:
    """The utility's list, every twenty minutes while the storm lasts, with the estimates of the time."""
    columns = ("outage_id", "circuit", "started_at", "estimated_restoration_at", "restored_at", "customers")
    for at in range(600, 1181, 20):
        rows: list[Row] = []
        for number, (circuit, start, end, estimates, customers) in enumerate(staged.STORM):
            known = [due for told, due in estimates if staged.clock(told) <= at]
            if staged.clock(start) > at:
                continue
            row: Row = {
                "outage_id": f"UT-{8801 + number * 7}",
                "circuit": circuit,
                "started_at": utc(staged.clock(start)),
            }
            row["estimated_restoration_at"] = utc(staged.clock(known[-1])) if known else ""
            row["restored_at"] = utc(staged.clock(end)) if staged.clock(end) <= at else ""
            rows.append(row | {"customers": customers})
        folder.add(f"outages-{stamp(at)}.csv", csv_text(rows, columns), at + 0.8)


def counts(folder: Folder, engine: Engine, issued: dict[float, dict[str, int]]) -> None:
    """Ballot stock three times a day, reconciliation in two sheets after the closing."""
    for at, numbers in issued.items():
        rows = [row | {"at": rfc3339(float(str(row["at"])))} for row in evening.stock_rows(engine, at, numbers)]
        folder.add(f"ballot-stock-{stamp(at)}.csv", csv_text(rows, ("site_id", "style", "at", "on_hand")), at + 12)
    rows = evening.reconciliation(engine)
    early = [row for number, row in enumerate(rows) if number % 3 and str(row["site_id"]) not in staged.STAYED_LATE]
    for at, part in ((1410.0, early), (1530.0, rows)):
        folder.add(f"reconcile-{stamp(at)}.csv", csv_text(part, list(rows[0])), at + 2)


def spoil(folder: Folder) -> list[Row]:
    """A few rows that no intake can use, for the page that shows them. Returns what was done, for the truth."""
    done: list[Row] = []

    def change(name: str, make: Callable[[list[str]], tuple[int, str]], what: str) -> None:
        text_lines = folder.files[name].splitlines()
        row, line = make(text_lines)
        text_lines.insert(row, line)
        folder.files[name] = "\n".join(text_lines) + "\n"
        done.append({"file": name, "row": row + 1, "what": what, "expect": "quarantined"})

    change("status-1103-0840.jsonl", lambda t: (4, t[4][: len(t[4]) // 2]), "line cut off")
    change(
        "status-1103-1020.jsonl", lambda t: (2, t[2].replace('"sequence": ', '"sequence": -')), "sequence below nought"
    )
    change("status-1103-1300.jsonl", lambda t: (9, t[0].replace(t[0][13:20], "VS-7777")), "unit in no roster")
    change(
        "status-1103-1610.jsonl",
        lambda t: (6, t[6].replace('"battery_percent": ', '"battery_percent": 9')),
        "percent over 100",
    )
    lines_name = next(name for name in sorted(folder.files) if name.startswith("lines-1103-10"))
    change(lines_name, lambda t: (1, "P134,2026-11-03T09:58:00,-6,2,greeter"), "count below nought")
    change(
        "milestones-1103-0700.csv", lambda t: (2, "P116,opend,2026-11-03T06:58:00-05:00,by text,,,,,,"), "unknown step"
    )
    change(
        "milestones-1103-2115.csv",
        lambda t: (1, "P199,closed,2026-11-03T20:03:00-05:00,judge,,,,,,"),
        "site in no roster",
    )
    return done
