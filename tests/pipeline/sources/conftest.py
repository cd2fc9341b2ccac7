"""Exports in other people's styles, and what becomes of them."""

import tomllib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline import run
from pipeline.sources.profile import profile_of
from pipeline.sources.proposal import propose
from pipeline.sources.proposal_text import profile_text
from pipeline.store import read
from pipeline.store.book import open_book
from pipeline.store.rosters import roster_of

Taking = Callable[..., tuple[dict, pl.DataFrame]]
KINDS = {
    "status": (
        "Device ID|Msg No|Sent At|Ballot Count|Power Source|Batt Pct|Misreads|Paper Jams|Device State|Printer Paper|"
        "Memory Cards|Link|Headset|Firmware",
        ["SC-1001|1|11/03/2026 07:05:09|12|AC|99.5|0|0|Idle|Full|2 of 2|Online|Yes|1.2"],
        {"unit_id": "Device ID", "sequence": "Msg No", "at": "Sent At", "ballots_counted": "Ballot Count", "power": "Power Source",
         "battery_percent": "Batt Pct", "misfeeds": "Misreads", "jams": "Paper Jams", "state": "Device State",
         "paper": "Printer Paper", "cards": "Memory Cards", "modem": "Link", "accessible": "Headset"},
    ),
    "line-counts": (
        "Polling Place ID|Observation Time|People In Line|Waiting at Scanner|Observer",
        ["P01|11/03/2026 7:05 AM|12|3|Bo", "P02|11/03/2026 7:15 AM|0|0|Cy"],
        {"site_id": "Polling Place ID", "at": "Observation Time", "checkin_line": "People In Line",
         "scanner_line": "Waiting at Scanner", "counted_by": "Observer"},
    ),
    "milestones": (
        "PRECINCT|EVENT|EVENT TIME|ENTERED BY|NEW SEAL",
        ["P01|POLLS OPENED|2026/11/03 07:00|Bo|", "P02|Zero Report Printed|2026/11/03 06:40|Cy|77012",
         "P02|Memory cards sealed|2026/11/03 20:40|Cy|77019"],
        {"site_id": "PRECINCT", "milestone": "EVENT", "at": "EVENT TIME", "reported_by": "ENTERED BY", "seal_out": "NEW SEAL"},
    ),
    "outages": (
        "Incident|Feeder|Off At|ETR|On At|Customers Affected",
        ["77|K1|03-Nov-26 08:15|03-Nov-26 10:00||1,204", "78|K2|03-Nov-26 08:25||03-Nov-26 08:55|88"],
        {"outage_id": "Incident", "circuit": "Feeder", "started_at": "Off At", "estimated_restoration_at": "ETR",
         "restored_at": "On At", "customers": "Customers Affected"},
    ),
    "units": (
        "AssetTag|Location|DeviceType|SerialNo|DeployedOrSpare|YearInstalled|RunTimeMinutes|BallotBinCapacity",
        ["X-1|P01|Precinct Scanner|99|In use|2019|180|2,000", "X-2||Ballot Marking Device|98|Reserve|2021|90|",
         "X-3|P02|ePollbook|97|In use|2021|300|"],
        {"unit_id": "AssetTag", "site_id": "Location", "type": "DeviceType", "serial": "SerialNo", "role": "DeployedOrSpare",
         "in_service": "YearInstalled", "battery_minutes": "RunTimeMinutes", "bin_capacity": "BallotBinCapacity"},
    ),
    "sites": (
        "Code|Polling Place|Street Address|Lat|Long|Polls Open|Polls Close|Reg Voters|Projected Turnout|Pollbooks|Voting Booths",
        ["P07|Tansy Hall|9 Mill Lane|41.25|-93.51|7:00 AM|8:00 PM|1600|700|3|12",
         "P08|Sedge School|77 Quarry Road|41.27|-93.61|7:00 AM|8:00 PM|1,900|900|4|16"],
        {"site_id": "Code", "name": "Polling Place", "address": "Street Address", "latitude": "Lat", "longitude": "Long",
         "opens": "Polls Open", "closes": "Polls Close", "registered": "Reg Voters", "expected_voters": "Projected Turnout",
         "checkin_stations": "Pollbooks", "booths": "Voting Booths"},
    ),
    "rovers": (
        "Technician|Start Lat|Start Lon|Shift Start|Shift End|Trained On",
        ["R7|41.25|-93.51|0530|2130|scanner;power", "R8|41.35|-93.41|0600|2200|bmd"],
        {"rover_id": "Technician", "latitude": "Start Lat", "longitude": "Start Lon", "on_shift": "Shift Start",
         "off_shift": "Shift End", "skills": "Trained On"},
    ),
    "reconciliation": (
        "Pct|Voters Checked In|Blank Ballots Received|Issued|Spoils|Unused Ballots|Prov|Scanner Total|Aux Bin|Results Tape Total",
        ["P01|700|1000|706|6|294|3|690|8|690", "P02|800|1100|805|5|295|1|800|0|800"],
        {"site_id": "Pct", "checked_in": "Voters Checked In", "ballots_received": "Blank Ballots Received",
         "ballots_issued": "Issued", "spoiled": "Spoils", "unused": "Unused Ballots", "provisional": "Prov",
         "ballots_counted": "Scanner Total", "emergency_counted": "Aux Bin", "tape_total": "Results Tape Total"},
    ),
    "ballot-stock": (
        "location_no|ballot style|counted at|qty remaining",
        ["P01|12A|2026-11-03T12:00:00-06:00|340", "P01|12B|2026-11-03T12:00:00-06:00|120"],
        {"site_id": "location_no", "style": "ballot style", "at": "counted at", "on_hand": "qty remaining"},
    ),
}  # fmt: skip


@pytest.fixture
def exports() -> dict[str, tuple[str, list[str], dict[str, str]]]:
    """An export of each kind in somebody's style: its header and rows, `|` between, and ours → theirs."""
    return KINDS


@pytest.fixture
def taking(write_day: Callable[..., Path], tmp_path: Path, now: datetime) -> Taking:
    """Proposes a profile for a file, pipes it to disk, takes the file with it: the profile, and the rows as logged."""

    def take(data: bytes, name: str, kind: str, with_book: bool = False) -> tuple[dict, pl.DataFrame]:
        book = tmp_path / "book"
        run.take([write_day()], book, now)
        roster = roster_of(open_book(book).published) if with_book else None
        text = profile_text(propose(data, name, kind, roster))
        profile = tomllib.loads(text)
        path = tmp_path / name
        path.write_bytes(data)
        (receipt,) = run.take([path], book, now, [profile_of(profile, "proposed")], now)
        assert receipt.read > 0 and receipt.accepted == receipt.read, receipt.reasons
        with read.Snapshot(open_book(book).published) as snapshot:
            logged = read.read_rows(snapshot.con).tables[kind].filter(pl.col("received_at") == now).sort("row")
        assert logged.height == receipt.read
        return profile, logged

    return take
