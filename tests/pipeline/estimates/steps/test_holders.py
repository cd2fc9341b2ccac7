"""Custody: who holds what since when, and what breaks the chain."""

from datetime import UTC, datetime, timedelta

import pytest

from pipeline.contracts import estimates
from pipeline.estimates.steps import holders, milestones

CLOSES = datetime(2026, 11, 4, 1, tzinfo=UTC)


def after(minutes):
    return CLOSES + timedelta(minutes=minutes)


def step(milestone, minutes, site_id="S1", item="MED-1", **more):
    return {"site_id": site_id, "milestone": milestone, "at": after(minutes), "item": item} | more


def answer(gear, day, at, steps=(), sites=None):
    known = gear.known(at=at, milestones=list(steps), sites=sites or [day.site("S1")])
    frame = holders.custody(known, milestones.milestones(known))
    estimates.Custody.validate(frame)
    return {(r["site_id"], r["kind"], r["item"]): r for r in frame.iter_rows(named=True)}


SEALED = step("media-sealed", 60, witness="p-2", reported_by="p-1", seal_out="7001")
HANDED = step("media-handed-over", 80, **{"from": "p-1"}, to="p-3", seal_in="7001")
RECEIVED = step("media-received", 100, **{"from": "p-3"}, to="p-4", seal_in="7001")


def test_before_anything_is_reported_the_media_are_with_the_site(gear, day):
    row = answer(gear, day, after(10))[("S1", "media", None)]
    assert (row["stage"], row["holder"], row["next_step"], row["is_overdue"]) == (
        "not sealed",
        "site",
        "media-sealed",
        False,
    )
    assert answer(gear, day, after(300))[("S1", "media", None)]["is_overdue"]


def test_the_one_who_took_an_item_over_holds_it_since_then(gear, day):
    row = answer(gear, day, after(90), [SEALED, HANDED])[("S1", "media", "MED-1")]
    assert (row["holder"], row["since"], row["stage"]) == ("p-3", after(80), "handed-over")
    assert (row["seal"], row["broken"], row["is_overdue"]) == ("7001", None, False)
    assert row["people"] == ["p-1", "p-3"]


def test_handed_over_and_not_received_for_long_is_overdue(gear, day):
    assert answer(gear, day, after(80 + 91), [SEALED, HANDED])[("S1", "media", "MED-1")]["is_overdue"]


def test_a_whole_chain_is_not_broken_and_nothing_is_due(gear, day):
    row = answer(gear, day, after(400), [SEALED, HANDED, RECEIVED])[("S1", "media", "MED-1")]
    assert (row["broken_at"], row["next_step"], row["is_overdue"], row["holder"]) == (None, None, False, "p-4")


@pytest.mark.parametrize(
    ("steps", "words", "minutes"),
    [
        ([SEALED, HANDED | {"seal_in": "7002"}], "Seal 7002 found where 7001", 80),
        ([SEALED, HANDED, RECEIVED | {"from": "p-9"}], "another hand", 100),
        ([SEALED, HANDED | {"to": "p-1"}], "Giver and taker are the same", 80),
        ([SEALED | {"witness": None}, HANDED | {"witness": "p-5"}], "fewer than two people", 60),
        ([SEALED, HANDED | {"at": after(50)}], "before the step that comes first", 50),
        ([RECEIVED], "No report that it was sealed or handed-over", 100),
    ],
)
def test_a_broken_chain_is_a_fact_with_a_time(gear, day, steps, words, minutes):
    row = answer(gear, day, after(150), steps)[("S1", "media", "MED-1")]
    assert words in row["broken"] and row["broken_at"] == after(minutes)


def test_where_a_county_names_nobody_missing_names_break_nothing(gear, day):
    bare = [step("media-sealed", 60), step("media-handed-over", 80), step("media-received", 100)]
    row = answer(gear, day, after(150), bare)[("S1", "media", "MED-1")]
    assert (row["broken"], row["holder"]) == (None, "receiving place")


def test_main_and_backup_card_are_followed_each_on_its_own(gear, day):
    steps = [SEALED, HANDED, SEALED | {"item": "backup card"}]
    rows = answer(gear, day, after(90), steps)
    assert rows[("S1", "media", "MED-1")]["holder"] == "p-3"
    assert rows[("S1", "media", "backup card")]["holder"] == "site"


def test_ballots_have_rows_only_where_they_are_used(gear, day):
    assert ("S1", "ballots", None) not in answer(gear, day, after(300))
    sites = [day.site("S1"), day.site("S2")]
    rows = answer(gear, day, after(300), [step("ballots-sealed", 90, item="BOX-1")], sites)
    assert rows[("S1", "ballots", "BOX-1")]["stage"] == "sealed"
    assert rows[("S2", "ballots", None)]["is_overdue"]


def test_the_order_of_rows_does_not_matter_and_nothing_gives_nothing(gear, day):
    steps = [SEALED, HANDED, RECEIVED, SEALED | {"item": "backup card"}]
    assert answer(gear, day, after(150), steps) == answer(gear, day, after(150), steps[::-1])
    known = gear.known(sites=[])
    assert holders.custody(known, milestones.milestones(known)).height == 0
