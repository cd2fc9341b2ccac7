"""What must be decided about steps."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard import data, due
from dashboard.items import DOORS, LATE, heard
from pipeline import run

ROSTERS = {
    "county.toml": 'name = "Tern Hollow County"\nzone = "America/Chicago"\nelection_day = 2026-11-03\n',
    "sites.csv": "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
    "P01,Alder Street Hall,41.1,-93.5,07:00,20:00,700,1,10\nP02,Larkspur Library,41.2,-93.4,07:00,20:00,800,3,12\n"
    "P03,Millrace School,41.3,-93.3,07:00,20:00,300,2,6\n",
    "units.csv": "unit_id,site_id,type\nSC-11,P01,scan-single\nSC-12,P02,scan-single\nSC-13,P03,scan-single\n",
}
AT = datetime(2026, 11, 3, 14, 30, tzinfo=UTC)  # 08:30 there
NOBODY_VOTES = "unit_id,at,sequence,ballots_counted\nSC-12,2026-11-03T08:00:00,1,4\nSC-12,2026-11-03T08:10:00,2,4\n"
ONE_SITE_VOTES = NOBODY_VOTES.replace("08:10:00,2,4", "08:10:00,2,31")
ONE_OPEN = "site_id,milestone,at\nP01,open,2026-11-03T07:00:00\n"


@pytest.fixture
def picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., data.Picture]:
    """The moment of a book of three places and the given feeds."""

    def made(**feeds: str) -> data.Picture:
        day = tmp_path / "day"
        day.mkdir()
        for name, text in (ROSTERS | {f"{kind}-0815.csv": text for kind, text in feeds.items()}).items():
            (day / name).write_text(text, "utf-8")
        run.take([day], tmp_path / "book", AT, received=datetime(2026, 11, 3, 14, 15, tzinfo=UTC))
        monkeypatch.setenv(data.ENVIRONMENT, str(tmp_path / "book"))
        return data.current(AT)

    return made


def test_where_no_place_reports_its_opening_one_line_says_so(picture):
    (item,) = due.closed_doors(picture(status=NOBODY_VOTES))
    assert item.rank == DOORS and item.where == "3 sites" and "none reported open" in item.what
    assert "Millrace School" in item.why and "Nobody is turned away" in item.caution


def test_once_one_place_has_reported_each_other_one_is_asked_about(picture):
    found = list(due.closed_doors(picture(status=NOBODY_VOTES, milestones=ONE_OPEN)))
    assert [item.site_id for item in found] == ["P02", "P03"] and {item.rank for item in found} == {DOORS}


def test_a_place_whose_scanner_counted_ballots_since_is_open_and_only_late_in_saying_so(picture):
    shown = picture(status=ONE_SITE_VOTES, milestones=ONE_OPEN)
    assert [item.site_id for item in due.closed_doors(shown)] == ["P03"]
    (late,) = (item for item in due.late_steps(shown) if item.key == "steps|open")
    assert late.rank == LATE and late.where == "Larkspur Library"


def test_what_was_heard_last_is_the_newest_of_counts_counters_and_tickets(picture):
    shown = picture(
        status=NOBODY_VOTES,
        lines="site_id,at,checkin_line,scanner_line\nP01,2026-11-03T07:50:00,3,0\nP02,2026-11-03T07:50:00,3,0\n",
        tickets="ticket_id,opened_at,site,text,status\nT1,2026-11-03T08:12:00,Alder Street Hall,scanner is jammed,open\n",
    )
    there = {site: moment.astimezone(UTC) for site, moment in heard(shown).items()}
    assert there == {
        "P01": datetime(2026, 11, 3, 14, 12, tzinfo=UTC),
        "P02": datetime(2026, 11, 3, 14, 10, tzinfo=UTC),
    }


def test_of_many_places_only_the_first_are_named(monkeypatch, picture):
    monkeypatch.setattr(due, "NAMED", 2)
    shown = picture()
    assert due.sites_named(shown, ["P01", "P02", "P03"]) == "Alder Street Hall, Larkspur Library and 1 more"
    assert due.sites_named(shown, ["P03", "P01"]) == "Millrace School, Alder Street Hall"
