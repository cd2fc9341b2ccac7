"""A small county that every test may write into a folder: invented places, units and people."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

COUNTY = 'name = "Quillback County"\nzone = "America/Chicago"\nelection_day = 2026-11-03\n'
SITES = """\
site_id,name,aliases,address,latitude,longitude,opens,closes,registered,expected_voters,checkin_stations,booths,circuit
P01,Marlpit Grange,Marlpit,14 Tallow Lane,41.10,-93.50,07:00,20:00,1500,700,2,10,K1
P02,Oxbow Library,Oxbow Lib,200 Ferry Street,41.20,-93.40,07:00,20:00,1800,800,3,12,K2
"""
UNITS = """\
unit_id,site_id,type,serial,battery_minutes,bin_capacity
SC-1001,P01,scan-single,70010001,240,2000
SC-1002,P02,scan-single,70010002,240,2000
PB-2001,P01,electronic-poll-book,70020001,240,
MD-3001,P01,bmd,70030001,120,
SC-1009,,scan-single,70010009,240,2000
"""
ROVERS = """\
rover_id,latitude,longitude,skills,parts,on_shift,off_shift
R1,41.15,-93.45,scanner;bmd,roller:2;paper-roll:4,06:00,22:00
"""
TICKETS = """\
ticket_id,opened_at,site,unit,caller,text,urgency,status,assigned_at,rover_id,arrived_at,resolved_at,resolution
K1,2026-11-03T09:10:00,Marlpit Grange,SC-1001,Alva Trennick,"scanner jammed, call back 555-0142",high,open,,,,,
K2,2026-11-03T09:20:00,Oxbow Lib,,,about 40 people in line for check-in,,open,,,,,
"""
STATUS = """\
{"unit_id":"SC-1001","at":"2026-11-03T09:00:00-06:00","sequence":1,"ballots_counted":120,"power":"mains","battery_percent":100,"misfeeds":0,"jams":0,"state":"scanning","paper":"ok","cards":"both","modem":"up","accessible":"connected"}
{"unit_id":"SC-1002","at":"2026-11-03T09:01:00-06:00","sequence":1,"ballots_counted":140,"power":"mains","battery_percent":100,"misfeeds":1,"jams":0,"state":"scanning","paper":"ok","cards":"both","modem":"up","accessible":"connected"}
"""
LINES = "site_id,at,checkin_line,scanner_line,counted_by\nP01,2026-11-03T09:15:00,12,2,greeter\nP02,2026-11-03T09:16:00,35,,A. Trennick\n"
NOTES = "9:05a Marlpit Grange lights out, util says 10:15\n"
RECEIVED = {
    "county.toml": "2026-11-02T20:00:00-06:00",
    "sites.csv": "2026-11-02T20:00:00-06:00",
    "units.csv": "2026-11-02T20:00:00-06:00",
    "rovers.csv": "2026-11-02T20:00:00-06:00",
    "tickets-0930.csv": "2026-11-03T09:30:00-06:00",
    "status-0910.jsonl": "2026-11-03T09:10:00-06:00",
    "lines-0930.csv": "2026-11-03T09:30:00-06:00",
    "power-0910.txt": "2026-11-03T09:10:00-06:00",
}
FILES = {
    "county.toml": COUNTY,
    "sites.csv": SITES,
    "units.csv": UNITS,
    "rovers.csv": ROVERS,
    "tickets-0930.csv": TICKETS,
    "status-0910.jsonl": STATUS,
    "lines-0930.csv": LINES,
    "power-0910.txt": NOTES,
}


@pytest.fixture
def now() -> datetime:
    """The clock of a test: the morning after."""
    return datetime(2026, 11, 4, 12, tzinfo=UTC)


@pytest.fixture
def write_day(tmp_path: Path) -> Callable[..., Path]:
    """Writes a day's folder: the small county, with files changed, added (`name=text`) or left out (None)."""

    def write(changes: dict[str, str | bytes | None] | None = None, folder: str = "day", received: bool = True) -> Path:
        day = tmp_path / folder
        day.mkdir(exist_ok=True)
        for name, text in (FILES | (changes or {})).items():
            if text is not None:
                (day / name).write_bytes(text if isinstance(text, bytes) else text.encode())
        if received:
            rows = "".join(f"{name},{at}\n" for name, at in RECEIVED.items())
            (day / "received.csv").write_text("file,received_at\n" + rows)
        return day

    return write
