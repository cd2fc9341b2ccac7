"""What callers say of lines: a number told anew counts, one that is only quoted again does not."""

import pytest

from pipeline.estimates.lines import observations, told


def head_counts(gear, *calls: tuple[float, float | None, str | None]) -> list[tuple]:
    """Minute, count and whether it is a call, from calls given as minutes before T, number said, ticket repeated."""
    tickets = [
        {"ticket_id": f"T{k}", "opened_at": gear.ago(ago), "site": "S1", "text": "long line", "status": "open"}
        for k, (ago, _, _) in enumerate(calls)
    ]
    said = [
        {"ticket_id": f"T{k}", "site_id": "S1", "site_confidence": 0.9, "category": "long-line", "waiting_said": number,
         "is_no_line": False, "same_as": same_as}
        for k, (_, number, same_as) in enumerate(calls)
    ]  # fmt: skip
    known = gear.known(tickets=tickets)
    rows = told.head_counts(known, gear.readings(said), observations.roster(known))
    return rows.select("minute", "count", "is_call").rows()


@pytest.mark.parametrize("first", [27.0, 0.0])
def test_a_number_that_a_later_ticket_only_quotes_counts_once(gear, first):
    assert head_counts(gear, (60, first, None), (20, first, "T0")) == [(11 * 60, first, True)]


def test_a_new_number_in_a_ticket_that_repeats_another_counts(gear):
    found = head_counts(gear, (60, 27.0, None), (20, 12.0, "T0"))
    assert found == [(11 * 60, 27.0, True), (11 * 60 + 40, 12.0, True)]


def test_the_same_number_in_a_ticket_of_its_own_counts(gear):
    assert len(head_counts(gear, (60, 27.0, None), (20, 27.0, None))) == 2


def test_a_repeated_call_without_a_number_is_kept(gear):
    assert len(head_counts(gear, (60, None, None), (20, None, "T0"))) == 2
