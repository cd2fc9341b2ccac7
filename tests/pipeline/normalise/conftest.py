"""An invented county whose places, units, tickets and power notes are read back."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.contracts import events
from pipeline.contracts.known import County, Known, empty
from pipeline.settings import Settings

AT = datetime(2026, 11, 3, 20, tzinfo=UTC)  # 14:00 in Chicago
OPENS, CLOSES = AT - timedelta(hours=8), AT + timedelta(hours=6)
SITES = (  # site_id, name, aliases, address, room, precincts, circuit
    (
        "P01",
        "Marlpit Elementary School",
        "Marlpit Elem;Marlpit Grade School",
        "14 Tallow Lane",
        "Gym",
        "44-A;44-B",
        "K1",
    ),
    ("P02", "Oxbow Library", "Oxbow Branch Lib", "200 Ferry Street", "Story Room", "045", "K2"),
    ("P03", "Old Oxbow Fellowship Hall", "Old Oxbow", "31 Sedge Road", "Basement", "046;047", "K2"),
    ("P04", "St. Wendreda Fellowship Hall", "Saint Wendreda", "9 N Larkspur Avenue", "", "048", "K3"),
    ("P05", "North Cindermoor High School", "N Cindermoor HS", "77 Quarry Boulevard", "Cafeteria", "50-A", "K3"),
    ("P06", "South Cindermoor High School", "S Cindermoor HS", "801 Quarry Boulevard", "Cafeteria", "51-A", "K4"),
    ("P07", "Fire Station 3", "FD 3;Firehouse 3", "5 Bellows Court", "Bay 1", "052", "K4"),
    ("P08", "Fire Station 13", "FD 13;Sta 13", "613 Tallow Lane", "Bay 2", "053", ""),
    ("P09", "Vintner Veterans Hall", "Vintner Vets", "60 9th Avenue", "Main Hall", "054", "K5"),
    ("P10", "Vintner Community Center", "Vintner Comm Ctr", "42 Hemlock Drive", "", "055", "K5"),
)
UNITS = (  # unit_id, site_id, type, serial
    ("SC-20011", "P01", "scan-single", "71100234"),
    ("SC-20012", "P01", "scan-single", "71105678"),
    ("MD-20013", "P01", "bmd", "71109999"),
    ("PB-20014", "P01", "electronic-poll-book", "71201111"),
    ("PB-20015", "P01", "electronic-poll-book", "71202222"),
    ("SC-20021", "P02", "scan-single", "71300235"),
    ("PB-20022", "P02", "electronic-poll-book", "71303333"),
    ("MD-20023", "P02", "bmd", "71304444"),
    ("SC-20099", None, "scan-single", "71909090"),
)


def filled(model: type, rows: list[dict]) -> pl.DataFrame:
    """Rows as a frame of a model's columns; what a row leaves out is null."""
    schema = empty(model).schema
    logged = {"received_at": AT, "content_hash": "0", "status": "open"}
    return pl.DataFrame([{n: row.get(n, logged.get(n)) for n in schema} for row in rows], schema=schema, orient="row")


@pytest.fixture
def sites() -> pl.DataFrame:
    names = ("site_id", "name", "aliases", "address", "room", "precincts", "circuit")
    usual = {"opens_at": OPENS, "closes_at": CLOSES, "checkin_stations": 2, "expected_voters": 800.0}
    return filled(events.SiteRows, [dict(zip(names, row, strict=True)) | usual for row in SITES])


@pytest.fixture
def units_frame() -> pl.DataFrame:
    return filled(
        events.UnitRows, [dict(zip(("unit_id", "site_id", "type", "serial"), row, strict=True)) for row in UNITS]
    )


@pytest.fixture
def make_known(sites: pl.DataFrame, units_frame: pl.DataFrame) -> Callable[..., Known]:
    """A `Known` of the county with the tickets, notes and reports that a test gives."""

    def make(tickets: list[dict] | None = None, notes: list[tuple[str, datetime]] | None = None, **frames) -> Known:
        tables = {kind.replace("-", "_"): empty(model) for kind, model in events.TABLES.items() if kind != "county"}
        tables |= {"sites": sites, "units": units_frame}
        if tickets:
            usual = {"site": "Oxbow Library", "opened_at": AT - timedelta(hours=1), "text": ""}
            numbered = [{"ticket_id": f"K{i:03}"} | usual | row for i, row in enumerate(tickets)]
            tables["tickets"] = filled(events.TicketRows, numbered)
        if notes:
            rows = [{"text": text, "received_at": at} for text, at in notes]
            tables["power_notes"] = filled(events.PowerNoteRows, rows)
        county = County("Quillback County", "America/Chicago", date(2026, 11, 3))
        return Known(at=AT, county=county, settings=Settings(), **(tables | frames))

    return make
