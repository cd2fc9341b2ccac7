"""The watcher's hourly pack, and alarms told to others."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline import run
from pipeline.outputs import alarms
from pipeline.store import inbox
from pipeline.store.book import open_book
from pipeline.watch import Hourly, Watcher

NOW = datetime(2026, 11, 3, 16, 30, tzinfo=UTC)


@pytest.fixture
def book(tmp_path: Path) -> Path:
    day = tmp_path / "day"
    day.mkdir()
    (day / "county.toml").write_text('name = "Plover"\nzone = "America/Chicago"\nelection_day = 2026-11-03\n')
    (day / "sites.csv").write_text(
        "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths,phone\n"
        "P1,Sedge Hall,41.1,-93.5,07:00,20:00,700,2,10,555-0111\n"
    )
    run.take([day], tmp_path / "book", NOW, received=NOW - timedelta(hours=1))
    return tmp_path / "book"


@pytest.mark.parametrize("with_phones", [False, True])
def test_a_pack_is_written_once_an_hour_with_telephones_only_if_asked(book: Path, with_phones: bool):
    told: list[str] = []
    with run.Writer(open_book(book), NOW) as writer:
        watcher = Watcher(writer, [], [], told.append, Hourly(with_phones))
        for minutes in (0, 5, 29, 35):
            watcher.round(NOW + timedelta(minutes=minutes))
    packs = sorted(p.name for p in (book / "fallback").iterdir())
    assert packs == ["pack-20261103-1030", "pack-20261103-1105"]
    assert ("555-0111" in (book / "fallback" / packs[0] / "3-places.html").read_text()) == with_phones
    assert sum("Fallback pack written" in line for line in told) == 2


def test_an_alarm_is_told_once_and_a_fault_of_the_teller_stops_nothing(book: Path):
    values = {"what": "lines", "column": "waiting_mean", "side": "over", "threshold": -1.0}
    inbox.drop(open_book(book), [inbox.entry(alarms.SET, "Ada", NOW, "anybody", values)])
    told, said = [], []
    with run.Writer(open_book(book), NOW) as writer:
        watcher = Watcher(writer, [], [], said.append, None, told.append)
        watcher.round(NOW)
        watcher.round(NOW + timedelta(minutes=2))
        assert len(told) == 1 and told[0].startswith("anybody: lines, waiting mean over -1")

        def broken(_text: str) -> None:
            raise OSError("no network")

        other = Watcher(writer, [], [], said.append, None, broken)
        other.round(NOW + timedelta(minutes=4))
        assert any("no network" in line for line in said)
