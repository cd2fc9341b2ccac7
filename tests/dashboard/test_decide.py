"""What must be decided next."""

import polars as pl
import pytest

from dashboard import decide
from dashboard.items import ASK, COST, PEOPLE

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


def bin_at(is_warned: bool) -> pl.DataFrame:
    """A bin of P01 that is full at about noon, by the estimate."""
    noon = pl.Series(["2026-11-03T18:00:00"]).str.to_datetime(time_zone="UTC", time_unit="us")
    return pl.DataFrame(
        {
            "unit_id": ["SC-11"], "site_id": ["P01"], "item": ["bin"], "style": pl.Series([None], dtype=pl.String),
            "used": [500.0], "capacity": [760.0], "state": pl.Series([None], dtype=pl.String), "full_at_low": noon,
            "full_at_mean": noon, "full_at_high": noon, "chance_full": [0.9], "basis": ["counter, 8 min old"],
            "send_by_at": noon.dt.offset_by("-40m"), "is_warned": [is_warned],
        }
    )  # fmt: skip


class WithSupplies:
    """The same moment with other supplies and another plan."""

    def __init__(self, shown, supplies: pl.DataFrame, plan: pl.DataFrame) -> None:
        self._shown, self._own = shown, {"supplies": supplies, "dispatch": plan}

    def __getattr__(self, name: str):
        return getattr(self._shown, name)

    def answer(self, what: str) -> pl.DataFrame:
        return self._own[what] if what in self._own else self._shown.answer(what)


def test_a_supply_is_pressing_once_somebody_has_to_leave_and_before_that_a_question(picture_of):
    shown = picture_of()
    plan = shown.answer("dispatch").clear()
    found = {}
    for is_warned in (True, False):
        (item,) = decide.shortages(WithSupplies(shown, bin_at(is_warned), plan))
        found[is_warned] = item
    assert (found[True].rank, found[False].rank) == (COST, ASK)
    assert "somebody leaves by 11:20" in found[True].propose and "260 left of 760 by the counter" in found[True].people


def test_what_a_proposed_stop_answers_is_not_a_second_line(picture_of):
    shown = picture_of()
    plan = pl.DataFrame({"site_id": ["P01"], "unit_id": ["SC-11"], "categories": [["bin-full"]]})
    assert list(decide.shortages(WithSupplies(shown, bin_at(True), plan))) == []
