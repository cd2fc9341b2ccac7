"""Counts of the day's end: identities, the likeliest cause, and no explanation where nothing differs."""

import pytest

from pipeline.contracts import estimates
from pipeline.estimates.counts import reconciliation

USUAL = {
    "site_id": "S1",
    "checked_in": 500,
    "ballots_counted": 500,
    "emergency_counted": 0,
    "ballots_issued": 506,
    "spoiled": 6,
    "provisional": 9,
    "tape_total": 500,
}


def answer(gear, calls=(), **counts):
    known = gear.known(reconciliation=[USUAL | counts], tickets=list(calls))
    frame = reconciliation.reconciliation(known, gear.readings(calls))
    estimates.Reconciliation.validate(frame)
    (row,) = frame.rows(named=True)
    return row


def test_counts_that_agree(gear):
    row = answer(gear, ballots_counted=470, emergency_counted=30, tape_total=470)
    assert (row["difference"], row["accounted_for"], row["standing"], row["likely_cause"]) == (0, 500, "agrees", None)
    assert "agree" in row["explanation"]


@pytest.mark.parametrize(
    ("counts", "cause"),
    [
        ({"ballots_counted": 480, "emergency_counted": 0}, "emergency"),
        ({"ballots_counted": 514}, "rescanned"),
        ({"ballots_counted": 498}, "left"),
        ({"ballots_counted": 502}, "provisional"),
        ({"checked_in": 470}, "poll-book"),
        ({"ballots_counted": 502, "provisional": 0}, "unexplained"),
    ],
)
def test_the_likeliest_cause_by_the_numbers(gear, counts, cause):
    row = answer(gear, **counts)
    assert row["likely_cause"] == cause
    assert row["standing"] == "differs"
    assert str(abs(row["difference"])) in row["explanation"]


def test_what_a_caller_said_weighs_more_than_the_size(gear, day):
    call = day.ticket("T1", "S1", "scanner-jam", text="we ran the stack again after the jam", is_no_line=False)
    assert answer(gear, [call], ballots_counted=502)["likely_cause"] == "rescanned"
    elsewhere = call | {"site_id": "S2"}
    assert answer(gear, [elsewhere], ballots_counted=502)["likely_cause"] == "provisional"


def test_voters_reported_as_left_account_for_the_difference(gear):
    row = answer(gear, ballots_counted=498, left=2)
    assert (row["difference"], row["accounted_for"], row["likely_cause"]) == (2, 500, "left")


def test_a_missing_emergency_count_is_nought_and_said_so(gear):
    row = answer(gear, ballots_counted=480, emergency_counted=None)
    assert row["difference"] == 20
    assert "No emergency count was reported" in row["explanation"]


@pytest.mark.parametrize("missing", ["checked_in", "ballots_counted"])
def test_counts_not_reported_are_incomplete_not_nought(gear, missing):
    row = answer(gear, **{missing: None})
    assert (row["standing"], row["difference"], row["likely_cause"]) == ("incomplete", None, None)


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ({"tape_total": 495}, "results report says 495"),
        ({"backup_count": 490}, "backup medium holds 490"),
        ({"ballots_issued": 520}, "514 ballots were issued"),
        ({"ballots_received": 700, "unused": 190}, "do not add up"),
    ],
)
def test_the_other_identities_are_checked_too(gear, counts, words):
    row = answer(gear, **counts)
    assert row["standing"] == "differs"
    assert row["likely_cause"] is None
    assert words in row["explanation"]


def test_no_counts_give_no_rows(gear):
    known = gear.known()
    assert reconciliation.reconciliation(known, gear.readings()).height == 0
