"""Tickets that tell of one trouble."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from pipeline.contracts.known import Known
from pipeline.normalise.same import beginning_likeness, core
from pipeline.normalise.troubles import read_tickets

AT = datetime(2026, 11, 3, 18, tzinfo=UTC)


def linked(make_known: Callable[..., Known], *tickets: tuple[str, str, int]) -> list[str | None]:
    rows = [{"site": s, "text": t, "opened_at": AT + timedelta(minutes=m)} for s, t, m in tickets]
    return read_tickets(make_known(rows))["same_as"].to_list()


@pytest.mark.parametrize(
    "lead", ["2nd call, ", "update pls: ", "same as before - ", "calling back - ", "again: ", "still no fix: "]
)
def test_a_caller_who_calls_again_is_linked(make_known, lead: str):
    text = "the custodian has no key for the closet"
    assert linked(make_known, ("Oxbow Library", text, 0), ("oxbow lib", lead + text, 40)) == [None, "K000"]


def test_a_repeat_cut_short_is_linked(make_known):
    text = "poll book shows yesterday's list and nobody can sign in here"
    assert linked(make_known, ("Oxbow Library", text, 0), ("Oxbow Library", "2nd call, " + text[:30], 20))[1] == "K000"


def test_two_callers_about_one_jam_are_linked(make_known):
    first, second = "a ballot is stuck in the scanner", "tabulator jammed, paper hanging out"
    assert linked(make_known, ("Oxbow Library", first, 0), ("Oxbow Library", second, 10)) == [None, "K000"]


@pytest.mark.parametrize(
    ("site", "text", "minutes"),
    [
        ("Vintner Vets", "a ballot is stuck in the scanner", 5),  # another place
        ("Oxbow Library", "we need a spanish interpreter", 5),  # another trouble
        ("Oxbow Library", "tabulator jammed, paper hanging out", 200),  # long after
    ],
)
def test_unrelated_tickets_are_not_linked(make_known, site: str, text: str, minutes: int):
    assert (
        linked(make_known, ("Oxbow Library", "a ballot is stuck in the scanner", 0), (site, text, minutes))[1] is None
    )


def test_jams_of_two_units_are_not_one(make_known):
    rows = [
        {"site": "Marlpit Elem", "unit": unit, "text": text, "opened_at": AT + timedelta(minutes=m)}
        for unit, text, m in (("SC-20011", "scanner jammed", 0), ("SC-20012", "ballot stuck, other scanner", 5))
    ]
    assert read_tickets(make_known(rows))["same_as"].to_list() == [None, None]


def test_a_trouble_of_the_kind_after_the_end_of_one_is_new_unless_it_follows_at_once(make_known):
    def second(minutes: int) -> str | None:
        texts = (("a ballot is stuck in the scanner", 0), ("tabulator jammed, paper hanging out", minutes))
        rows = [{"site": "Oxbow Library", "text": t, "opened_at": AT + timedelta(minutes=m)} for t, m in texts]
        rows[0]["resolved_at"] = AT + timedelta(minutes=5)
        return read_tickets(make_known(rows))["same_as"].to_list()[1]

    assert second(8) == "K000" and second(20) is None


def test_a_call_taken_to_be_about_an_earlier_one_is_of_the_only_unit_of_its_kind(make_known):
    texts = (("the touch screen froze on the first page", 0), ("any news? still waiting", 30))
    rows = [{"site": "Oxbow Library", "text": t, "opened_at": AT + timedelta(minutes=m)} for t, m in texts]
    assert read_tickets(make_known(rows))["unit_id"].to_list() == ["MD-20023"] * 2


def test_two_callers_about_one_line_that_neither_counts_are_linked_soon_after_only(make_known):
    first, second = "the line is very long", "people are lined up down the hall and leaving"
    assert linked(make_known, ("Oxbow Library", first, 0), ("Oxbow Library", second, 10)) == [None, "K000"]
    assert linked(make_known, ("Oxbow Library", first, 0), ("Oxbow Library", second, 40)) == [None, None]


def test_tickets_whose_site_is_unknown_are_never_linked(make_known):
    assert linked(make_known, ("nowhere", "scanner jammed", 0), ("nowhere", "scanner jammed", 5)) == [None, None]


def test_what_is_said_before_the_trouble_is_left_out():
    assert core("2nd call - FYI seal is broken") == "seal is broken"
    assert beginning_likeness("seal is broken on the left door", "seal is broken on") == 100


@pytest.mark.parametrize(
    ("second", "minutes", "is_linked"),
    [
        ("people wrapped around the block, 45 waiting", 12, True),
        ("people wrapped around the block, 90 waiting", 12, False),  # another count: the line has changed
        ("people wrapped around the block, 45 waiting", 50, False),  # lines come and go
        ("people wrapped around the block", 12, False),  # nothing to compare
    ],
)
def test_two_callers_about_one_line_are_linked_by_their_counts(make_known, second: str, minutes: int, is_linked: bool):
    first = "line is out the door, 50 in line"
    found = linked(make_known, ("Oxbow Library", first, 0), ("Oxbow Library", second, minutes))
    assert found == [None, "K000" if is_linked else None]
