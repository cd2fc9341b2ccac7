"""Units' own reports: silence, clocks, numbers that repeat or never came, counters that restart."""

import pytest

from pipeline.contracts.estimates import Reports
from pipeline.estimates.failures.exposure import ledger
from pipeline.estimates.reports import reports


@pytest.fixture
def told(gear):
    """The row of unit U1 from its status reports, held to the contract."""

    def tell(*rows):
        known = gear.known(units=[gear.unit("U1"), gear.unit("U2")], status=list(rows))
        frame = reports(known, ledger(known))
        assert Reports.validate(frame)["unit_id"].to_list() == ["U1", "U2"]
        return frame.row(0, named=True)

    return tell


def test_a_unit_that_was_never_heard_of_has_a_row_that_says_so(told):
    row = told()
    assert (row["reports"], row["last_at"], row["silent_minutes"]) == (0, None, None)
    assert row["basis"] == "no report yet"


def test_silence_is_counted_from_the_last_receipt(told, gear):
    row = told(gear.report("U1", 30, 1), gear.report("U1", 12, 2))
    assert row["silent_minutes"] == 12 and row["last_at"] == gear.ago(12)
    assert row["basis"] == "nothing odd"


@pytest.mark.parametrize(
    ("numbers", "repeated", "missing"),
    [((1, 2, 3), 0, 0), ((1, 2, 2), 1, 0), ((1, 2, 5), 0, 2), ((7, 8, 1, 2), 0, 0), ((7, 1, 3, 3), 1, 1)],
)
def test_numbers_that_repeat_and_never_came_are_counted_and_a_restart_leaves_no_gap(
    told, gear, numbers, repeated, missing
):
    row = told(*(gear.report("U1", 60 - nth, number) for nth, number in enumerate(numbers)))
    assert (row["repeated_numbers"], row["missing_numbers"]) == (repeated, missing)
    assert ("repeat" in row["basis"], "never came" in row["basis"]) == (repeated > 0, missing > 0)


@pytest.mark.parametrize(("offset", "words"), [(60.0, "60 min ahead"), (-14.6, "15 min behind")])
def test_a_clock_that_is_off_is_said_with_its_amount(told, gear, offset, words):
    row = told(gear.report("U1", 5, 1) | {"clock_offset_minutes": offset})
    assert row["clock_offset_minutes"] == offset and words in row["basis"]


def test_a_counter_that_falls_is_marked_as_a_new_run(told, gear):
    counts = (300, 320, 4, 9)
    row = told(*(gear.report("U1", 60 - 10 * n, n, ballots_counted=c) for n, c in enumerate(counts)))
    assert "ballots counted fell and began again" in row["basis"]
