"""What must be decided about steps."""

from datetime import UTC, datetime

from dashboard import due
from dashboard.items import DOORS, LATE, heard

NOBODY_VOTES = "unit_id,at,sequence,ballots_counted\nSC-12,2026-11-03T08:00:00,1,4\nSC-12,2026-11-03T08:10:00,2,4\n"
ONE_SITE_VOTES = NOBODY_VOTES.replace("08:10:00,2,4", "08:10:00,2,31")
ONE_OPEN = "site_id,milestone,at\nP01,open,2026-11-03T07:00:00\n"


def test_where_no_place_reports_its_opening_one_line_says_so(picture_of):
    (item,) = due.closed_doors(picture_of(status=NOBODY_VOTES))
    assert item.rank == DOORS and item.where == "3 sites" and "none reported open" in item.what
    assert "Millrace School" in item.why and "Nobody is turned away" in item.caution


def test_once_one_place_has_reported_each_other_one_is_asked_about(picture_of):
    found = list(due.closed_doors(picture_of(status=NOBODY_VOTES, milestones=ONE_OPEN)))
    assert [item.site_id for item in found] == ["P02", "P03"] and {item.rank for item in found} == {DOORS}


def test_a_place_whose_scanner_counted_ballots_since_is_open_and_only_late_in_saying_so(picture_of):
    shown = picture_of(status=ONE_SITE_VOTES, milestones=ONE_OPEN)
    assert [item.site_id for item in due.closed_doors(shown)] == ["P03"]
    (late,) = (item for item in due.late_steps(shown) if item.key == "steps|open")
    assert late.rank == LATE and late.where == "Larkspur Library"


def test_broken_custody_stands_before_what_is_only_not_received_yet_and_that_is_one_line(picture_of):
    shown = picture_of(
        milestones="site_id,milestone,at,item,from,to,witness,seal_in,seal_out\n"
        "P01,media-handed-over,2026-11-03T04:10:00,M-1,Ada Finch,Lou Marsh,Bo Wren,,881\n"
        "P02,media-handed-over,2026-11-03T04:10:00,M-2,Bo Wren,Lou Marsh,Ada Finch,,882\n"
        "P03,media-handed-over,2026-11-03T04:10:00,M-3,Ada Finch,Bo Wren,Lou Marsh,,838\n"
        "P03,media-received,2026-11-03T04:40:00,M-3,Bo Wren,Lou Marsh,Ada Finch,883,\n"
    )
    broken, away = sorted(due.custody(shown), key=lambda item: -item.cost)
    assert broken.site_id == "P03" and "Seal 883 found where 838" in broken.what
    assert away.where == "2 sites" and "2 items handed over" in away.what
    assert "Alder Street Hall" in away.why and "Larkspur Library" in away.why


def test_a_sealing_that_names_one_person_is_to_be_decided(picture_of):
    shown = picture_of(
        milestones="site_id,milestone,at,item,from,to,witness\n"
        "P01,media-sealed,2026-11-03T07:50:00,M-1,Ada Finch,,\n"
        "P01,media-handed-over,2026-11-03T08:10:00,M-1,Ada Finch,Lou Marsh,Bo Wren\n"
    )
    (item,) = due.custody(shown)
    assert item.where == "Alder Street Hall" and item.rank == DOORS and item.is_danger
    assert item.what == "media sealed: Sealed with fewer than two people named (M-1)."


def test_what_was_heard_last_is_the_newest_of_counts_counters_and_tickets(picture_of):
    shown = picture_of(
        status=NOBODY_VOTES,
        lines="site_id,at,checkin_line,scanner_line\nP01,2026-11-03T07:50:00,3,0\nP02,2026-11-03T07:50:00,3,0\n",
        tickets="ticket_id,opened_at,site,text,status\nT1,2026-11-03T08:12:00,Alder Street Hall,scanner is jammed,open\n",
    )
    there = {site: moment.astimezone(UTC) for site, moment in heard(shown).items()}
    assert there == {
        "P01": datetime(2026, 11, 3, 14, 12, tzinfo=UTC),
        "P02": datetime(2026, 11, 3, 14, 10, tzinfo=UTC),
    }


def test_of_many_places_only_the_first_are_named(monkeypatch, picture_of):
    monkeypatch.setattr(due, "NAMED", 2)
    shown = picture_of()
    assert due.sites_named(shown, ["P01", "P02", "P03"]) == "Alder Street Hall, Larkspur Library and 1 more"
    assert due.sites_named(shown, ["P03", "P01"]) == "Millrace School, Alder Street Hall"
