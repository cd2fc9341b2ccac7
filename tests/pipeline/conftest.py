"""An invented county with two or three places and rovers, for tests that need a `Known`."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import polars as pl
import pytest

from pipeline.contracts import estimates, events
from pipeline.contracts.known import County, Known, empty
from pipeline.settings import Settings

AT = datetime(2026, 11, 3, 18, tzinfo=UTC)  # 12:00 in Chicago
OPENS, CLOSES = AT - timedelta(hours=5), AT + timedelta(hours=7)


def filled(model: type, rows: list[dict]) -> pl.DataFrame:
    """Rows as a frame of a model's columns; what a row leaves out is null."""
    schema = empty(model).schema
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema, orient="row")


def site(site_id: str, north: float = 0.0, **more) -> dict:
    usual = {
        "site_id": site_id,
        "name": f"{site_id} Grange Hall",
        "latitude": 40.0 + north,
        "longitude": -90.0,
        "expected_voters": 900.0,
        "checkin_stations": 3,
        "booths": 9,
        "opens_at": OPENS,
        "closes_at": CLOSES,
    }
    return usual | more


def rover(rover_id: str, north: float = 0.0, **more) -> dict:
    usual = {
        "rover_id": rover_id,
        "latitude": 40.0 + north,
        "longitude": -90.0,
        "skills": "scanner;bmd;poll-book;power;supplies",
        "parts": "paper-roll:2;cable:1;battery:1",
        "on_shift_at": OPENS - timedelta(hours=1),
        "off_shift_at": CLOSES + timedelta(hours=3),
    }
    return usual | more


def ticket(ticket_id: str, site_id: str | None = "S1", category: str = "scanner-down", **more) -> dict:
    usual = {
        "ticket_id": ticket_id,
        "site_id": site_id,
        "site_confidence": 0.95,
        "category": category,
        "categories": [category],
        "category_confidence": 0.9,
        "severity": 2,
        "opened_at": AT - timedelta(minutes=10),
        "status": "open",
        "voter_minutes_at_risk": 600.0,
        "decided_by": "invented",
        "site": site_id or "nobody's place",
        "text": f"what the caller said for {ticket_id}",
    }
    return usual | more


def load(site_id: str, **more) -> dict:
    usual = {
        "site_id": site_id,
        "is_open": True,
        "checkin_waiting": 6.0,
        "scanner_waiting": 2.0,
        "arrivals_per_minute": 1.2,
        "remaining_voters_low": 300.0,
        "remaining_voters_mean": 500.0,
        "remaining_voters_high": 700.0,
        "minutes_to_close": 420.0,
    }
    return usual | more


@pytest.fixture
def day() -> SimpleNamespace:
    """Makers of invented rows: site, rover, ticket, load, and `filled` (rows → frame of a model)."""
    return SimpleNamespace(site=site, rover=rover, ticket=ticket, load=load, filled=filled, at=AT)


@pytest.fixture
def dispatch_inputs() -> Callable[..., tuple[Known, pl.DataFrame, pl.DataFrame, pl.DataFrame]]:
    """Known, Tickets, SiteLoads and Power from rows; sites, units and power are optional."""

    def build(tickets=(), rovers=None, sites=None, loads=None, power=(), units=(), settings=None, at=AT):
        sites = [site("S1"), site("S2", 0.05), site("S3", -0.1)] if sites is None else sites
        rovers = [rover("R1"), rover("R2", 0.2)] if rovers is None else rovers
        loads = [load(row["site_id"]) for row in sites] if loads is None else loads
        tables = {kind.replace("-", "_"): empty(model) for kind, model in events.TABLES.items() if kind != "county"}
        tables |= {
            "sites": filled(events.SiteRows, list(sites)),
            "rovers": filled(events.RoverRows, list(rovers)),
            "tickets": filled(events.TicketRows, list(tickets)),
            "units": filled(events.UnitRows, list(units)),
        }
        county = County("Juniper Flats County", "America/Chicago", date(2026, 11, 3))
        known = Known(at=at, county=county, settings=Settings(settings), **tables)
        return (
            known,
            filled(estimates.Tickets, list(tickets)),
            filled(events.SiteLoads, list(loads)),
            filled(estimates.Power, list(power)),
        )

    return build
