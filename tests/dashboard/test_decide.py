"""What must be decided next."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard import data, decide
from dashboard.items import PEOPLE

TICKETS = (
    "ticket_id,opened_at,site,text,status,resolved_at\n"
    "T1,2026-11-03T07:50:00,Alder Street Hall,a wire is down and sparking at the door,{}\n"
    "T2,2026-11-03T08:10:00,Alder Street Hall,calling back about the wire that is down: it still sparks at the door,open,\n"
)


def test_danger_told_again_is_one_line(picture_of):
    (line,) = decide.dangers(picture_of(tickets=TICKETS.format("open,")))
    assert line.rank == PEOPLE and "T1" in line.what


def test_danger_told_again_stands_in_the_list_once_the_first_call_is_closed(picture_of):
    shown = picture_of(tickets=TICKETS.format("resolved,2026-11-03T08:00:00"))
    assert shown.answer("tickets").filter(ticket_id="T2")["same_as"].to_list() == ["T1"]
    (line,) = decide.dangers(shown)
    assert "T2" in line.what


COUNTED = "site_id,at,checkin_line,scanner_line\nP01,2026-11-03T07:40:00,80,60\nP01,2026-11-03T08:12:00,80,60\n"
OPENED = "site_id,milestone,at\nP01,open,2026-11-03T07:00:00\n"


def test_where_danger_is_reported_no_other_line_of_the_list_sends_anybody(picture_of):
    shown = picture_of(tickets=TICKETS.format("open,"), lines=COUNTED, milestones=OPENED)
    there = [*decide.long_lines(shown), *decide.batteries(shown), *decide.unanswered(shown)]
    assert {item.what.split(" long")[0] for item in there} >= {"check-in line"}
    assert all("send nobody" in item.propose and "911" in item.caution for item in there)


def test_where_voting_is_suspended_no_station_is_to_be_opened(picture_of):
    shown = picture_of(lines=COUNTED, milestones=f"{OPENED}P01,suspended,2026-11-03T08:05:00\n")
    found = [item.propose for item in decide.long_lines(shown) if item.site_id == "P01"]
    assert found and all("suspended" in propose and "station" not in propose for propose in found)


@pytest.mark.parametrize(
    ("foreseen", "said"), [(["power"], "power: SC-11 may go dark"), (["bin-full"], "ballot bin full SC-11")]
)
def test_a_stop_without_a_ticket_says_what_is_foreseen_there(picture_of, foreseen: list[str], said: str):
    assert decide.stop_what(picture_of(), [], "SC-11", foreseen).startswith(said)


def test_a_rover_that_was_given_a_stop_long_ago_is_asked_and_not_sent_again(picture_of):
    given = (
        "ticket_id,opened_at,site,unit,text,status,assigned_at,rover_id\n"
        "T1,2026-11-03T06:50:00,Alder Street Hall,SC-11,scanner is jammed,assigned,{},R1\n"
    )
    stop = {"site_id": "P01", "rover_id": "R1", "ticket_ids": ["T1"]}
    shown = picture_of(tickets=given.format("2026-11-03T06:55:00"))
    assert decide.given_since(shown, stop) == "06:55"
    assert decide.given_since(shown, stop | {"rover_id": "R2"}) is None
    assert decide.given_since(shown, stop | {"is_diverted": True}) is None


def test_a_trip_for_power_says_what_runs_on_battery_and_when_power_is_promised(book: Path, monkeypatch):
    monkeypatch.setenv(data.ENVIRONMENT, str(book))
    shown = data.current(datetime(2026, 11, 3, 16, 10, tzinfo=UTC))
    said = decide.power_said(shown, "P01")
    assert "1 unit off mains, 0 dark; SC-11 empty" in said and "power promised for 12:15" in said
    assert "call first" in decide.power_said(shown, "P02")
