"""A small county's book, made once: two places, a storm, a danger, a place that nobody recognises, a row in quarantine."""

import json
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard import data
from pipeline import run

NOW = datetime(2026, 11, 4, 18, tzinfo=UTC)
FILES = {
    "county.toml": ("02T20:00", 'name = "Tern Hollow County"\nzone = "America/Chicago"\nelection_day = 2026-11-03\n'),
    "sites.csv": (
        "02T20:01",
        "site_id,name,aliases,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths,circuit\n"
        "P01,Alder Street Hall,Alder Hall,41.10,-93.50,07:00,20:00,700,1,10,K1\n"
        "P02,Larkspur Library,Larkspur,41.20,-93.40,07:00,20:00,800,3,12,K2\n"
        "P03,Millrace <b>School</b>,,41.15,-93.30,07:00,20:00,300,2,6,K1\n",
    ),
    "units.csv": (
        "02T20:01",
        "unit_id,site_id,type,serial,battery_minutes,bin_capacity\n"
        "SC-11,P01,scan-single,711,120,2000\nSC-12,P02,scan-single,712,240,2000\nPB-21,P02,electronic-poll-book,721,240,\n"
        "SC-13,P03,scan-single,713,240,2000\nSC-19,,scan-single,719,240,2000\n",
    ),
    "rovers.csv": (
        "02T20:01",
        "rover_id,latitude,longitude,skills,parts,on_shift,off_shift\n"
        "R1,41.15,-93.45,scanner;bmd;power,roller:2;battery:1,06:00,22:00\nR2,41.11,-93.31,poll-book;power,,06:00,22:00\n",
    ),
    "milestones-0705.csv": (
        "03T07:05",
        "site_id,milestone,at,reported_by\nP01,open,2026-11-03T07:00:00,Ada Finch\nP02,open,2026-11-03T07:01:00,Lou Marsh\n",
    ),
    "lines-1000.csv": (
        "03T10:00",
        "site_id,at,checkin_line,scanner_line\nP01,2026-11-03T09:58:00,70,3\nP01,2026-11-03T09:00:00,40,0\nP02,2026-11-03T09:56:00,2,0\n",
    ),
    "power-1002.txt": ("03T10:02", "9:40a Alder Street Hall lights out, util says 12:15\n"),
    "outages-1003.csv": (
        "03T10:03",
        "outage_id,circuit,started_at,estimated_restoration_at,restored_at,customers\nO1,K1,2026-11-03T09:40:00,2026-11-03T12:15:00,,310\n",
    ),
    "tickets-1005.csv": (
        "03T10:05",
        "ticket_id,opened_at,site,unit,caller,text,urgency,status,assigned_at,rover_id,arrived_at,resolved_at,resolution\n"
        'Q-701,2026-11-03T09:50:00,Larkspur Library,SC-12,Ada Finch,"scanner is jammed, it takes no ballot, 15 people waiting",high,open,,,,,\n'
        'Q-702,2026-11-03T09:52:00,Millrace School,,Lou Marsh,"a power line is down across the driveway, it is sparking",high,open,,,,,\n'
        'Q-703,2026-11-03T09:55:00,the yellow barn past the mill,,Bo Wren,"ours did it once more",,open,,,,,\n'
        'Q-704,2026-11-03T08:00:00,Alder Hall,SC-11,Ada Finch,"ballot stuck in the scanner",,resolved,2026-11-03T08:02:00,R1,2026-11-03T08:20:00,2026-11-03T08:40:00,cleared\n',
    ),
}
BAD = '{"unit_id":"SC-12","at":"2026-11-03T09:59:00-06:00","sequence":9,"battery_percent":900}\n'


def reports() -> str:
    """Status reports every half hour: one scanner on battery from 09:40, one on mains."""
    rows = []
    for number, minute in enumerate(range(7 * 60 + 30, 10 * 60 + 1, 30), start=1):
        at = f"2026-11-03T{minute // 60:02d}:{minute % 60:02d}:00-06:00"
        for unit, rate in (("SC-11", 1), ("SC-12", 2)):
            off = unit == "SC-11" and minute >= 9 * 60 + 40
            rows.append(
                {
                    "unit_id": unit,
                    "at": at,
                    "sequence": number,
                    "ballots_counted": number * 12 * rate,
                    "power": "battery" if off else "mains",
                    "battery_percent": 70 if off else 100,
                    "misfeeds": number * 3 if unit == "SC-12" else 0,
                    "jams": number if unit == "SC-12" else 0,
                    "state": "scanning",
                    "paper": "ok",
                    "cards": "both",
                }
            )
    return "".join(json.dumps(row) + "\n" for row in rows) + BAD


@pytest.fixture(scope="session")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small county's book, as `wardbook take` leaves it."""
    day = tmp_path_factory.mktemp("county")
    files = FILES | {"status-1004.jsonl": ("03T10:04", reports())}
    for name, (_, text) in files.items():
        (day / name).write_text(text, "utf-8")
    received = "".join(f"{name},2026-11-{at}:00-06:00\n" for name, (at, _) in files.items())
    (day / "received.csv").write_text("file,received_at\n" + received, "utf-8")
    folder = tmp_path_factory.mktemp("books") / "book"
    run.take([day], folder, NOW)
    return folder


@pytest.fixture(scope="session")
def empty_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book that knows its county and nothing else."""
    day = tmp_path_factory.mktemp("bare")
    (day / "county.toml").write_text(FILES["county.toml"][1], "utf-8")
    folder = tmp_path_factory.mktemp("books") / "bare"
    run.take([day], folder, NOW, received=datetime(2026, 11, 3, 15, tzinfo=UTC))
    return folder


@pytest.fixture
def copied(book: Path, tmp_path: Path) -> Path:
    """A copy of the small county's book, to be written to."""
    return Path(shutil.copytree(book, tmp_path / "copy"))


ROSTERS = {
    "county.toml": 'name = "Tern Hollow County"\nzone = "America/Chicago"\nelection_day = 2026-11-03\n',
    "sites.csv": "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
    "P01,Alder Street Hall,41.1,-93.5,07:00,20:00,700,1,10\nP02,Larkspur Library,41.2,-93.4,07:00,20:00,800,3,12\n"
    "P03,Millrace School,41.3,-93.3,07:00,20:00,300,2,6\n",
    "units.csv": "unit_id,site_id,type\nSC-11,P01,scan-single\nSC-12,P02,scan-single\nSC-13,P03,scan-single\n",
}
AT = datetime(2026, 11, 3, 14, 30, tzinfo=UTC)  # 08:30 there


@pytest.fixture
def picture_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., data.Picture]:
    """The moment, 08:30, of a book of three places and the feeds given, by kind."""

    def made(**feeds: str) -> data.Picture:
        day = tmp_path / "day"
        day.mkdir()
        for name, text in (ROSTERS | {f"{kind}-0815.csv": text for kind, text in feeds.items()}).items():
            (day / name).write_text(text, "utf-8")
        run.take([day], tmp_path / "book", AT, received=datetime(2026, 11, 3, 14, 15, tzinfo=UTC))
        monkeypatch.setenv(data.ENVIRONMENT, str(tmp_path / "book"))
        return data.current(AT)

    return made
