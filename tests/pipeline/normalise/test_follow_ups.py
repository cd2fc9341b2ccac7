"""Calls that tell how an earlier one went on."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from pipeline.contracts.known import Known
from pipeline.normalise import follow_ups
from pipeline.normalise.troubles import read_text, read_tickets
from pipeline.normalise.wording import vocabulary

AT = datetime(2026, 11, 3, 18, tzinfo=UTC)


def read(make_known: Callable[..., Known], *tickets: tuple[str, int, int | None]) -> list[tuple[str, str | None]]:
    rows = [
        {
            "site": "Oxbow Library",
            "text": text,
            "opened_at": AT + timedelta(minutes=at),
            "resolved_at": None if end is None else AT + timedelta(minutes=end),
        }
        for text, at, end in tickets
    ]
    frame = read_tickets(make_known(rows)).select("category", "same_as")
    return list(frame.iter_rows())


def test_news_of_what_is_still_open_is_about_it_hours_later(make_known: Callable[..., Known]):
    first, later = read(make_known, ("door to the ramp is locked", 0, None), ("the ramp is still locked", 240, None))
    assert first == ("site-access", None)
    assert later == ("site-access", "K000")


def test_an_end_that_names_no_trouble_is_of_the_trouble_that_is_open(make_known: Callable[..., Known]):
    _, later = read(make_known, ("we are out of ballots", 0, None), ("it is all here now, thank you", 200, None))
    assert later == ("ballot-stock", "K000")


def test_what_was_resolved_before_is_another_trouble_unless_an_end_is_told(make_known: Callable[..., Known]):
    jam = ("a ballot is stuck in the scanner", 0, 20)
    assert read(make_known, jam, ("scanner jammed again", 240, None))[1] == ("scanner-jam", None)
    assert read(make_known, jam, ("the stuck ballot is freed, rover not needed", 240, None))[1][1] == "K000"


def test_a_number_to_call_back_is_no_news():
    book = vocabulary()
    assert not book.news.search("scanner jammed, call back [phone]")
    assert book.news.search("the power is back") and not book.ends.search("the line is long again")
    assert vocabulary('[news]\nends = "Sorted out by us"\n').ends.search("sorted out by us.")


def test_what_went_on_since_an_end_is_no_end():
    ends = vocabulary().ends
    assert follow_ups.tells_end(ends, "we emptied it, all good")
    assert not follow_ups.tells_end(ends, "full again, 900 since last emptied")


def test_words_of_note_are_said_alike_whatever_their_slips():
    def notes(text: str) -> frozenset[str]:
        return read_text(text).notes

    assert notes("need srals, 33 left") == notes("Need seals, 33 left")
    assert "33" in notes("need seals, 33 left") and "name" not in notes("[name] needs seals")


def test_an_open_ticket_says_less_the_longer_where_nobody_writes_down_that_one_was_closed():
    def row(minutes: int, closed: int | None = None) -> dict[str, object]:
        end = None if closed is None else AT + timedelta(minutes=closed)
        return {"opened_at": AT + timedelta(minutes=minutes), "resolved_at": end}

    many = [row(m) for m in range(follow_ups.ENOUGH_OLD)]
    assert follow_ups.are_closed([*many, row(60)]) and not follow_ups.are_closed([*many, row(200)])
    assert follow_ups.are_closed([*many, row(100, 120), row(200)])
    first = row(0)
    assert follow_ups.was_open(first, row(300) | {"are_closed": True}) == 1.0
    assert follow_ups.was_open(row(0, 20), row(300) | {"are_closed": True}) == 0.0
    assert follow_ups.was_open(row(0, 20), row(22) | {"are_closed": True}) == 1.0  # what was done is written down
    open_for = [follow_ups.was_open(first, row(m) | {"are_closed": False}) for m in (0, 30, 60, 300)]
    assert open_for == sorted(open_for, reverse=True) and open_for[0] == pytest.approx(1.0) and 0 < open_for[-1] < 0.1


@pytest.mark.parametrize(
    ("text", "is_another"),
    [
        ("this is a diff problem", True),
        ("woman with a camera, different from the flyer guy", True),
        ("not the one from this morning", True),
        ("33 fine since the delivery", True),
        ("another one stuck", True),
        ("the end one, not the one your man just fixed", True),
        ("our own breaker, not the road this time", True),
        ("not the one by the stage", False),
        ("not this morning's, that was cleared", True),
        ("first since eight", True),
        ("Walt cleared the one at half past three", True),
        ("same problem as before", False),
        ("another sheet is stuck", False),
        ("hung up again, different ballot", True),
        ("it won't take another sheet", False),
        ("jammed again, scanner 1 this time", True),
        ("second call, this time one of the clerks", False),
        ("all back but one. Seperate problem, its battery is empty", True),
        ("the sheet is still in there. One more thing, unrelated, a truck is on our lot", False),
        ("this morning's was the glass, this is diferent", True),
        ("tablet froze again, first time was fixed by a restart", True),
        ("jammed again, the one shortly after seven was cleared by us", True),
        ("the one from this morning is still jammed", False),
    ],
)
def test_a_call_tells_that_it_is_about_something_else(text: str, is_another: bool):
    assert follow_ups.tells_of_another(text) == is_another


@pytest.mark.parametrize(
    ("text", "points_back"),
    [
        ("That book never did wake up", True),
        ("where are those 3-J ballots", True),
        ("same tablet is off again", True),
        ("that is all", False),
        ("That said, it works", False),
        ("we told them that books are slow", False),
    ],
)
def test_what_a_call_takes_as_known_points_back(text: str, points_back: bool):
    assert bool(follow_ups.POINTS_BACK.search(text)) == points_back
