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


def test_every_cause_is_ranked_with_what_the_log_holds_for_it(gear, day):
    call = day.ticket("T1", "S1", "scanner-down", text="scanner froze", is_no_line=False)
    reports = [gear.report("U1", 60, 1, state="fault")]
    known = gear.known(
        reconciliation=[USUAL | {"ballots_counted": 480, "tape_total": 480}],
        tickets=[call],
        units=[gear.unit("U1")],
        status=reports,
    )
    (row,) = reconciliation.reconciliation(known, gear.readings([call])).rows(named=True)
    assert row["causes"][0] == row["likely_cause"] == "emergency"
    assert "emergency: U1 stood still during the day" in row["evidence"]
    assert "emergency: tickets T1" in row["evidence"]
    assert "emergency compartment" in row["look_first"] and "two people" in row["look_first"]


def test_counts_that_agree_need_no_look(gear):
    row = answer(gear)
    assert (row["causes"], row["evidence"], row["look_first"]) == ([], [], None)


def test_the_units_own_totals_stand_beside_a_difference(gear, day):
    after = [
        {
            "unit_id": u,
            "at": gear.ago(-500),
            "occurred_at": gear.ago(-500),
            "received_at": gear.ago(-500),
            "sequence": 9,
        }
        | {"clock_offset_minutes": 0.0, name: n}
        for u, name, n in (("U1", "ballots_counted", 500), ("B1", "checkins", 497))
    ]
    units = [gear.unit("U1"), gear.unit("B1", kind="electronic-poll-book")]
    known = gear.known(at=gear.ago(-900), reconciliation=[USUAL | {"checked_in": 497}], units=units, status=after)
    (row,) = reconciliation.reconciliation(known, gear.readings()).rows(named=True)
    assert (row["scanners_read"], row["books_checked_in"]) == (500, 497)
    known = gear.known(at=gear.ago(-900), reconciliation=[USUAL | {"checked_in": 490}], units=units, status=after)
    (row,) = reconciliation.reconciliation(known, gear.readings()).rows(named=True)
    assert any("poll books' own totals come to 497" in text for text in row["evidence"])


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        (
            {"ballots_received": 700, "ballots_issued": 194, "unused": 506, "spoiled": 6},
            "Issued and unused ballots look exchanged",
        ),
        (
            {"ballots_issued": 509, "spoiled": 6, "provisional": 9, "ballots_counted": 501},
            "Spoiled and provisional ballots look exchanged",
        ),
        ({"ballots_counted": 530, "emergency_counted": 30, "tape_total": 500, "checked_in": 530}, "look counted twice"),
    ],
)
def test_counts_in_the_wrong_column_are_told_and_no_cause_is_made_up(gear, counts, words):
    row = answer(gear, **counts)
    assert words in row["explanation"] and words in row["look_first"]
    assert row["standing"] == "differs" and row["likely_cause"] in (None, "unexplained")


def test_no_counts_give_no_rows(gear):
    known = gear.known()
    assert reconciliation.reconciliation(known, gear.readings()).height == 0
