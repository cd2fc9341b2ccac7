"""An invented county's equipment as a `Known`, for the tests of power, failures, supplies, steps and counts."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import pytest

from pipeline.contracts import events
from pipeline.contracts.known import County, Known, empty
from pipeline.settings import Settings

AT = datetime(2026, 11, 3, 18, tzinfo=UTC)  # 12:00 in Chicago; the places are open from 07:00 to 19:00


def minutes(value: float) -> timedelta:
    return timedelta(minutes=value)


def unit(unit_id: str, site_id: str | None = "S1", kind: str = "scan-single", **more) -> dict:
    usual = {
        "unit_id": unit_id,
        "site_id": site_id,
        "type": kind,
        "role": "deployed",
        "battery_minutes": 240.0,
        "recharge_minutes": 300.0,
        "battery_age_years": 2.0,
        "charge_at_open": 1.0,
        "bin_capacity": 4000,
    }
    return usual | more


def report(unit_id: str, ago: float, sequence: int = 0, **more) -> dict:
    """A status report so many minutes before T."""
    usual = {"unit_id": unit_id, "at": AT - minutes(ago), "sequence": sequence, "power": "mains", "state": "ready"}
    row = usual | more
    return row | {"occurred_at": row["at"], "clock_offset_minutes": 0.0, "received_at": row["at"]}


def outage(circuit: str, ago: float, **more) -> dict:
    """A line of the utility's list: an outage that began so many minutes before T."""
    row = {"outage_id": f"O-{circuit}-{ago:g}", "circuit": circuit, "started_at": AT - minutes(ago), "received_at": AT}
    return row | more


@pytest.fixture
def gear(day) -> SimpleNamespace:
    """Makers of rows: unit, report, outage, ago; `known(**rows)`, `readings(rows)`, `notes(rows)`, `loads(rows)`."""

    def known(at=AT, settings=None, rules=None, **rows) -> Known:
        rows.setdefault("sites", [day.site("S1", circuit="K1"), day.site("S2", circuit="K2")])
        tables = {}
        for kind, model in events.TABLES.items():
            name = kind.replace("-", "_")
            if name != "county":
                given = rows.pop(name, [])
                tables[name] = day.filled(model, list(given)) if given else empty(model)
        assert not rows, f"no such table: {sorted(rows)}"
        county = County("Juniper Flats County", "America/Chicago", date(2026, 11, 3), milestones=rules or {})
        return Known(at=at, county=county, settings=Settings(settings), **tables)

    frame: Callable = day.filled
    return SimpleNamespace(
        at=AT,
        ago=lambda value: AT - minutes(value),
        unit=unit,
        report=report,
        outage=outage,
        known=known,
        readings=lambda rows=(): frame(events.TicketReadings, list(rows)),
        notes=lambda rows=(): frame(events.PowerReadings, list(rows)),
        loads=lambda rows=(): frame(events.SiteLoads, list(rows)),
    )
