"""How likely it is that a call is of an earlier ticket of its site."""

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from pipeline.contracts.known import Known
from pipeline.normalise import linkage
from pipeline.normalise.troubles import read_tickets

AT = datetime(2026, 11, 3, 18, tzinfo=UTC)
LOCKED = "the door to the gym is locked and nobody has a key"
SCANNER = "the scanner will not start, its screen is black"


def reading(minutes: int, **values: Any) -> dict[str, Any]:
    row = {
        "opened_at": AT + timedelta(minutes=minutes),
        "resolved_at": None,
        "words": frozenset(),
        "caller": None,
        "unit_id": None,
        "unit_said": None,
        "category": "power",
        "categories": ["power"],
        "category_confidence": 0.9,
        "chances": {"power": 0.9, "poll-book": 0.1},
        "again_odds": 0.0,
        "is_news": False,
        "is_end": False,
        "again": False,
        "names_none": False,
        "is_another": False,
        "times": (),
        "points_back": False,
        "are_closed": True,
        "head": f"K{minutes}",
    }
    return row | values


def read(make_known: Callable[..., Known], *tickets: tuple[str, int]) -> list[tuple[str, str | None]]:
    rows = [{"site": "Oxbow Library", "text": text, "opened_at": AT + timedelta(minutes=at)} for text, at in tickets]
    return list(read_tickets(make_known(rows)).select("category", "same_as").iter_rows())


@pytest.mark.parametrize(
    "text",
    [
        "any news?",
        "is anybody coming",
        "we have seen nobody yet",
        "we called you an hour ago",
        "what about my earlier message",
        "nobody has shown up",
        "hello, me again, we are waiting for someone",
    ],
)
def test_a_call_that_names_no_trouble_is_of_the_one_that_is_open(make_known: Callable[..., Known], text: str):
    assert read(make_known, (LOCKED, 0), (text, 50))[1] == ("site-access", "K000")


def test_a_call_that_names_no_trouble_is_of_nothing_where_nothing_is_open(make_known: Callable[..., Known]):
    assert read(make_known, ("any news?", 50))[0][1] is None


def test_of_several_open_troubles_the_words_in_common_tell_which(make_known: Callable[..., Known]):
    later = read(make_known, (LOCKED, 0), (SCANNER, 5), ("any word on that door at the gym", 60))[2]
    assert later == ("site-access", "K000")


def test_another_trouble_is_not_linked_to_what_is_open(make_known: Callable[..., Known]):
    assert read(make_known, (LOCKED, 0), ("a voter asks if she may bring her dog", 40))[1][1] is None


def test_each_thing_in_common_makes_a_call_likelier_to_be_of_a_ticket():
    rare = {"furnac": 5.0}
    first = reading(0, words=frozenset({"furnac"}))
    plain = linkage.odds(rare, reading(60), first)
    for more in (
        {"words": frozenset({"furnac"})},
        {"again_odds": 5.0},
        {"points_back": True},
    ):
        assert linkage.odds(rare, reading(60, **more), first) > plain
    for less in (
        {"chances": {"bmd": 0.9, "power": 0.1}},
        {"unit_id": "U1", "unit_said": "U1"},
        {"is_another": True},
        {"are_closed": False},
    ):
        assert linkage.odds(rare, reading(60, **less), first) < plain
    assert linkage.odds(rare, reading(30), first) > plain > linkage.odds(rare, reading(180), first)
    assert linkage.odds(rare, reading(60), first | {"resolved_at": AT + timedelta(minutes=30)}) < plain


@pytest.mark.parametrize("category", ["long-line", "procedure"])
def test_a_line_and_a_question_come_anew_unless_the_call_tells_otherwise(category: str):
    first, call = (reading(at, category=category, categories=[category]) for at in (0, 10))
    assert linkage.odds({}, call, first) == -math.inf
    assert linkage.odds({}, call | {"is_news": True, "is_end": True}, first) > -math.inf


def test_what_is_written_down_as_open_does_not_come_anew():
    first, call = (reading(at, category="scanner-jam", categories=["scanner-jam"], unit_id="U1") for at in (0, 10))
    assert linkage.odds({}, call, first) > -math.inf
    assert linkage.odds({}, call, first | {"resolved_at": AT + timedelta(minutes=5)}) == -math.inf
    assert linkage.odds({}, call | {"are_closed": False}, first) == -math.inf


def test_a_question_about_what_is_wrong_is_another_matter():
    rare = {"slot": 5.0, "side": 5.0}
    call = reading(
        10, category="procedure", categories=["procedure"], words=frozenset(rare), chances={"procedure": 0.9}
    )
    first = reading(0, words=frozenset(rare))
    assert linkage.odds(rare, call, first) == -math.inf
    assert linkage.odds(rare, call | {"category_confidence": 0.5}, first) > -math.inf


def test_an_earlier_ticket_whose_words_told_nothing_may_be_about_anything():
    unread = reading(0, category="other", categories=["other"], chances={"other": 0.35}, category_confidence=0.35)
    assert linkage.odds({}, reading(10), unread) > -math.inf
    sure = unread | {"chances": {"other": 0.95}, "category_confidence": 0.95}
    assert linkage.odds({}, reading(10), sure) == -math.inf


def test_a_unit_only_guessed_does_not_part_two_tickets():
    stopped = {"category": "bmd", "categories": ["bmd"], "chances": {"bmd": 0.9}}
    call = reading(10, unit_id="U2", unit_said="U2", **stopped)
    assert linkage.odds({}, call, reading(0, unit_id="U1", unit_said="U1", **stopped)) == -math.inf
    assert linkage.odds({}, call, reading(0, unit_id="U1", **stopped)) > -math.inf


def test_a_battery_runs_low_anew_while_the_mains_are_still_off():
    call = reading(10, unit_id="U1", unit_said="U1")
    assert linkage.odds({}, call, reading(0)) == -math.inf
    assert linkage.odds({}, call | {"unit_said": None}, reading(0)) > -math.inf


def test_news_alone_makes_no_question_the_same_one_for_its_words_stand_in_questions_too():
    first, call = (reading(at, category="procedure", categories=["procedure"]) for at in (0, 10))
    assert linkage.odds({}, call | {"is_news": True}, first) == -math.inf
    assert linkage.odds({}, call | {"again": True}, first) > -math.inf


def test_before_anything_is_compared_a_call_is_likelier_of_none():
    row = reading(0) | {"chances": {}, "names_none": True, "resolved_at": AT - timedelta(minutes=1)}
    compared = linkage.compared({}, row, row)
    assert compared is not None and compared["before"] == 1.0


def test_a_line_is_the_same_one_where_the_call_plainly_tells_on():
    first, call = (reading(at, category="long-line", categories=["long-line"]) for at in (0, 60))
    assert linkage.odds({}, call | {"again_odds": linkage.TOLD_OF_LINE}, first) == -math.inf
    assert linkage.odds({}, call | {"again_odds": linkage.TOLD_OF_LINE + 0.1}, first) > -math.inf


def test_a_call_whose_own_words_lean_elsewhere_is_about_what_it_is_linked_to(make_known: Callable[..., Known]):
    others = [("line is 40 deep", 0), ("a voter lost a hat", 1), ("poll book is slow", 2), ("no stickers left", 3)]
    seal = ("the numbered strap on the side door was cut when we came", 10)
    asked = ("may we open with that cut strap or not, nobody has called us back", 25)
    assert read(make_known, *others, seal, asked)[5] == ("seal", "K004")


def test_tickets_of_one_site_share_the_chance_but_not_with_their_own_repeats():
    one, two, call = reading(0), reading(5), reading(30, again_odds=5.0)
    alone = linkage.chances({}, call, [one])[0]
    apart = linkage.chances({}, call, [one, two])
    assert apart[0] < alone and sum(apart) < 1
    both = linkage.chances({}, call, [one, two | {"head": one["head"]}])
    assert both[0] == both[1] > alone


@pytest.mark.parametrize(
    ("first", "then"),
    [
        ("power is out in the gym", "still no power here and a wire is down in the parking lot"),
        ("power is out in the gym", "update: power still out, somebody fainted"),
        ("poll book 3 is dead", "again, poll book still dead, and there is a man shouting with a gun"),
        (SCANNER, "nobody has come about the scanner and now smoke is coming out of it"),
    ],
)
def test_danger_is_no_repeat_of_a_ticket_that_told_of_none(make_known: Callable[..., Known], first: str, then: str):
    rows = [
        {"site": "Oxbow Library", "text": t, "opened_at": AT + timedelta(minutes=m)}
        for t, m in ((first, 0), (then, 25))
    ]
    found = read_tickets(make_known(rows)).rows(named=True)[1]
    assert found["same_as"] is None and "safety" in found["categories"] and found["severity"] == 1


def test_a_call_about_danger_that_was_told_of_is_of_that(make_known: Callable[..., Known]):
    told = read(
        make_known, ("a wire is down and sparking at the door", 0), ("any news on that wire, it still sparks", 25)
    )
    assert told[1] == ("safety", "K000")


def test_an_hour_speaks_less_against_a_call_of_what_lasts_than_of_what_has_ended_or_is_another_thing():
    def hours(row: dict[str, Any], other: dict[str, Any]) -> float:
        late = row | {"opened_at": AT + timedelta(minutes=60)}
        return linkage.odds({}, row | {"opened_at": AT}, other) - linkage.odds({}, late, other)

    open_, ended = reading(0), reading(0, resolved_at=AT - timedelta(minutes=1))
    other = reading(0, chances={"power": 0.3, "bmd": 0.7}, category="bmd", categories=["bmd", "power"])
    assert hours(reading(0), open_) < hours(reading(0), ended)
    assert hours(reading(0), open_) < hours(reading(0, names_none=True), other)
    question = {"category": "other", "categories": ["other"], "chances": {"other": 0.9}, "again": True}
    assert hours(reading(0, **question), reading(0, **question)) == pytest.approx(-linkage.WEIGHTS["first_hour"])


def test_a_bin_that_was_emptied_fills_anew():
    told = {"category": "bin-full", "categories": ["bin-full"], "chances": {"bin-full": 0.9}}
    emptied = reading(0, **told, resolved_at=AT + timedelta(minutes=9))
    assert linkage.comes_anew(reading(200, **told, is_end=True), emptied)
    assert not linkage.comes_anew(reading(200, **told, again=True), emptied)
    assert not linkage.comes_anew(reading(200, **told), reading(0, **told))


def test_a_call_that_says_it_calls_again_and_names_the_unit_may_be_of_another_trouble_of_it():
    named = {"unit_said": "S1", "unit_id": "S1"}
    jam = reading(0, category="scanner-jam", categories=["scanner-jam"], chances={"scanner-jam": 0.95}, **named)
    down = reading(20, category="scanner-down", chances={"scanner-down": 0.95}, **named)
    assert linkage.compared({}, down, jam) is None
    assert linkage.compared({}, down | {"again": True}, jam) is not None
    assert linkage.compared({}, down | {"again": True, "unit_said": "S2", "unit_id": "S2"}, jam) is None


def test_a_call_that_names_the_time_of_a_ticket_is_of_it_hours_later(make_known: Callable[..., Known]):
    first = ("we cannot get a zero report out of the scanner, it comes out blank", 0)  # at 12:00 local time
    later = "the scanner prints nothing at all, as we told you at noon"
    assert read(make_known, first, (later, 540))[1] == ("tape-printer", "K000")
    assert read(make_known, first, (later.replace("noon", "three"), 540))[1] == ("tape-printer", None)


def test_a_call_while_a_ticket_is_being_closed_is_likelier_of_it():
    ended = reading(0, resolved_at=AT + timedelta(minutes=59))
    before = reading(0, resolved_at=AT + timedelta(minutes=70))
    assert linkage.odds({}, reading(60), ended) > linkage.odds({}, reading(60), before)
    other = {"chances": {"bmd": 0.99}, "category": "power", "categories": ["power"]}
    compared = linkage.compared({}, reading(60, **other), ended | {"chances": {"power": 0.99}})
    assert compared is not None and compared["at_end"] == 0.0


def test_the_other_one_is_the_one_that_the_earlier_ticket_does_not_name(make_known: Callable[..., Known]):
    site = {"site": "Marlpit Elementary School"}
    first = site | {"unit": "SC-20011", "text": "a ballot is stuck in the scanner", "opened_at": AT}
    later = site | {"text": "now the other one too, a ballot is jammed in it", "opened_at": AT + timedelta(minutes=20)}
    using = later | {"text": "still stuck in there, we are using the other one meanwhile"}
    read = [read_tickets(make_known([first, call])).rows(named=True)[1] for call in (later, using)]
    assert [row["unit_id"] for row in read] == ["SC-20012", "SC-20011"]
    assert [row["same_as"] for row in read] == [None, "K000"]
