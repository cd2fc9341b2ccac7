"""What is made of the rosters is kept, and says the same as what is made anew."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.contracts.known import Known
from pipeline.normalise import gazetteer, kept, severity, signs, unit_roster
from pipeline.normalise.troubles import read_tickets

KEPT = (
    (gazetteer, "gazetteer_of"),
    (unit_roster, "unit_book_of"),
    (severity, "facts_of"),
    (signs, "rostered"),
    (signs, "counted"),
    (signs, "reported"),
)
SAID = (
    "scanner is jammed at the back of the hall",
    "line is out the door, 60 people waiting",
    "need more ballots for precinct 12",
    "poll book frozen, nobody can check in",
    "lights are out across Slough Rd",
    "second call: scanner jammed again",
)


@pytest.fixture
def anew(monkeypatch: pytest.MonkeyPatch) -> Callable[[Known], pl.DataFrame]:
    """The readings with nothing kept."""

    def read(known: Known) -> pl.DataFrame:
        with monkeypatch.context() as patch:
            for module, name in KEPT:
                patch.setattr(module, name, getattr(module, name).__wrapped__)
            return read_tickets(known)

    return read


def calls(known: Known, count: int) -> list[dict[str, Any]]:
    """So many calls from the sites in turn, some from no known place."""
    places = [*known.sites["name"].to_list(), "the hall", "precinct 12", None]
    return [
        {"text": SAID[n % len(SAID)], "site": places[n % len(places)], "opened_at": at(known, n)} for n in range(count)
    ]


def at(known: Known, minutes: int) -> datetime:
    return known.at - timedelta(minutes=200 - minutes)


def test_tickets_read_one_after_another_say_what_they_say_when_all_is_made_anew(
    make_known: Callable[..., Known], anew: Callable[[Known], pl.DataFrame]
):
    every = calls(make_known(), 30)
    for count in range(1, 31):
        known = make_known(every[:count])
        assert read_tickets(known).equals(anew(known))


def test_a_ticket_more_makes_neither_the_words_of_places_nor_the_numbers_of_units_again(
    make_known: Callable[..., Known], monkeypatch: pytest.MonkeyPatch
):
    every = calls(make_known(), 5)
    read_tickets(make_known(every[:4]))

    def fail(*_: object) -> None:
        raise AssertionError("made again")

    for module, name in (
        (gazetteer, "make_place"),
        (unit_roster, "make_unit"),
        (severity, "SiteFacts"),
        (signs, "UnitSigns"),
    ):
        monkeypatch.setattr(module, name, fail)
    assert read_tickets(make_known(every)).height == 5


def test_a_changed_roster_is_read_and_the_one_before_is_still_known(make_known: Callable[..., Known]):
    known = make_known()
    first = gazetteer.gazetteer(known.sites)
    other = known.sites.with_columns(name=pl.lit("Somewhere else"))
    assert gazetteer.gazetteer(other).places[0].names[-1] == ("somewhere", "else")
    assert gazetteer.gazetteer(known.sites.reverse()) is first


def test_only_so_many_are_kept():
    made: list[str] = []

    @kept.kept(2)
    def names(frame: pl.DataFrame) -> str:
        made.append(frame["name"][0])
        return made[-1]

    one, two, three = (pl.DataFrame({"name": [name]}) for name in ("one", "two", "three"))
    assert [names(f) for f in (one, two, one, two, three, one)] == ["one", "two", "one", "two", "three", "one"]
    assert made == ["one", "two", "three", "one"]


def test_frames_that_differ_only_in_type_or_in_a_null_are_not_the_same():
    numbers, nothing = pl.DataFrame({"n": [1]}), pl.DataFrame({"n": [None]}, schema={"n": pl.Int64})
    assert kept.are_same((numbers,), (numbers.clone(),))
    assert kept.are_same((nothing,), (nothing.clone(),))
    assert not kept.are_same((numbers,), (numbers.cast(pl.Int32),))
    assert not kept.are_same((numbers,), (nothing,))


def test_a_full_memory_is_emptied(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(kept, "MOST", 2)
    memory: dict[int, int] = {}
    assert [kept.remembered(memory, n, lambda n=n: n * n) for n in (1, 2, 3, 1)] == [1, 4, 9, 1]  # type: ignore[misc]
    assert len(memory) <= 2
