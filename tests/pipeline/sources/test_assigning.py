"""Where names say little, usual numbers and the order of rows tell columns apart; what stays unsure is asked."""

import tomllib

import pytest

from pipeline.sources.proposal import propose
from pipeline.sources.proposal_text import profile_text


def proposed(header: str, rows: list[str], kind: str) -> dict[str, str]:
    """Ours → theirs, as proposed for an export with `|` between."""
    data = "\n".join([header, *rows, ""]).encode()
    return {p.ours.name: p.theirs.name for p in propose(data, "export.csv", kind).placed}


def day(*clocks: str) -> str:
    return "|".join(f"2026-11-03 {clock}" if clock else "" for clock in clocks)


TICKETS = "Call No|Rang|Place|Said|How far|Rover|{}|{}|Finished"
CALLS = [
    (("08:00", "08:04", "08:30", "08:50"), "done"),
    (("09:10", "09:12", "09:44", "09:59"), "done"),
    (("10:05", "10:11", "10:20", "11:02"), "done"),
    (("12:30", "12:31", "12:59", "13:00"), "done"),
]


@pytest.mark.parametrize("is_turned", [False, True])
def test_times_of_a_ticket_are_told_apart_by_which_comes_first(is_turned: bool):
    names = ("Rover 1st time", "Rover 2nd time")
    rows = []
    for nth, ((opened, given, there, ended), status) in enumerate(CALLS):
        middle = (there, given) if is_turned else (given, there)
        rows.append(
            f"C-10{nth}|{day(opened)}|Oxbow|No key for the side door, again {nth}|{status}|R1|{day(*middle, ended)}"
        )
    found = proposed(TICKETS.format("Assigned or arrived", "Arrived or assigned"), rows, "tickets")
    wanted = (
        ("Arrived or assigned", "Assigned or arrived") if is_turned else ("Assigned or arrived", "Arrived or assigned")
    )
    assert (found["assigned_at"], found["arrived_at"]) == wanted
    assert names[0] not in found.values()


def test_a_fraction_is_no_number_of_minutes():
    rows = [
        f"SC-{n}|Scanner|P01|{share}|{minutes}" for n, share, minutes in ((1, 0.9, 240), (2, 1.0, 300), (3, 0.55, 240))
    ]
    found = proposed("Tag|Kind|Goes to|Charge|Charge time", rows, "units")
    assert (found["charge_at_open"], found["recharge_minutes"]) == ("Charge", "Charge time")
    found = proposed("Tag|Kind|Goes to|Charge time", [row.rpartition("|")[0] for row in rows], "units")
    assert "recharge_minutes" not in found


def test_a_cross_in_every_row_says_nothing_of_what_is_asked():
    rows = [f"SC-{n}|Scanner|P01|X" for n in range(5)]
    assert "accessible_expected" not in proposed("Tag|Kind|Goes to|Seen", rows, "units")


def test_what_numbers_the_rows_is_no_id():
    rows = [
        f"{n}|{day('08:00')}|Oxbow|No key for the side door {n}|new|{code}"
        for n, code in enumerate((88, 17, 45, 61), 1)
    ]
    found = proposed("Number|Opened|Place|Description|Status|Call", rows, "tickets")
    assert found["ticket_id"] == "Call"


def test_a_line_that_is_not_sure_enough_is_asked_and_not_read():
    rows = [f"K{n}|{day('08:00')}|Oxbow|No key for the side door {n}|new|{n}-b" for n in range(6)]
    proposal = propose(
        "\n".join(["Call|Opened|Place|Description|Status|Helped whom"] + rows).encode(), "x.csv", "tickets"
    )
    asked = {p.ours.name for p in proposal.asked}
    text = profile_text(proposal)
    assert asked.isdisjoint(p.ours.name for p in proposal.placed)
    assert ("# QUESTIONS" in text) == bool(asked)
    assert not asked & set(tomllib.loads(text)["columns"])


def test_every_file_of_a_kind_is_looked_at_for_its_words():
    head = "Place|Step|When\n"
    first, later = (
        head + f"P01|{step}|2026-11-03 {at}\n" for step, at in (("Crew arrived", "06:00"), ("Polls shut", "20:00"))
    )
    proposal = propose(first.encode(), "steps-1.csv", "milestones", more=[(later.encode(), "steps-2.csv")])
    profile = tomllib.loads(profile_text(proposal))
    assert set(profile["values"]["milestone"]) == {"arrived", "closed"}
    assert profile["files"] == "steps-*.csv"


@pytest.mark.parametrize(("charge", "wanted"), [(("98", "100", "50"), 0.01), (("0.98", "1", "0.5"), None)])
def test_numbers_in_another_unit_are_multiplied(charge: tuple[str, ...], wanted: float | None):
    rows = [
        f"SC-{n}|Scanner|P01|{hours}|{percent}|{months}"
        for n, hours, percent, months in zip(range(3), (4, 4.5, 8), charge, (14, 40, 3), strict=True)
    ]
    data = "\n".join(["Tag|Kind|Goes to|Run time (hrs)|Charge at opening|Battery age in months", *rows]).encode()
    scale = tomllib.loads(profile_text(propose(data, "units.csv", "units")))["scale"]
    assert scale.get("charge_at_open") == wanted and scale["battery_minutes"] == 60
    assert scale["battery_age_years"] == pytest.approx(1 / 12)


def test_a_column_of_times_without_a_value_so_far_is_read_as_the_others():
    rows = [f"K-{n:03d}|Nov 3, 2026 7:0{n} AM|Oxbow|No key for the side door {n}|new|" for n in range(4)]
    data = "\n".join(["Call|Opened|Place|Description|Status|Resolved", *rows]).encode()
    times = tomllib.loads(profile_text(propose(data, "calls.csv", "tickets")))["times"]
    assert times["resolved_at"] == times["opened_at"] == ["%b %d, %Y %I:%M %p"]


def test_what_a_data_system_keeps_for_itself_is_ours_only_where_nothing_better_is():
    rows = [f"P0{n}|2026-11-03 09:0{n}|4|0|bo|2026-11-03 23:4{n}|amy" for n in range(5)]
    found = proposed("Place|Walked|Queue|At scanner|Walker|Last Updated|Entered By", rows, "line-counts")
    assert (found["at"], found["counted_by"]) == ("Walked", "Walker")
    found = proposed(
        "Place|Queue|Last Updated", ["|".join(row.split("|")[i] for i in (0, 2, 5)) for row in rows], "line-counts"
    )
    assert found["at"] == "Last Updated"


def test_what_counts_the_rows_is_no_count_of_ballots():
    rows = [f"{9100 + n}|P{n:02d}|{480 + 7 * n % 90}|{470 + 7 * n % 90}" for n in range(14)]
    found = proposed("Rec No|Place|Signin Ct|Rdr Cntd Ct", rows, "reconciliation")
    assert (found["checked_in"], found["ballots_counted"]) == ("Signin Ct", "Rdr Cntd Ct")


def test_of_two_numbers_of_a_report_the_one_that_counts_the_reports_of_a_unit_is_its_sequence():
    rows = [f"{77120 + n}|SC-{n % 3}|{31 + n // 3}|{day('08:00')}|IDLE" for n in range(14)]
    assert proposed("Msg No|Tag|Seq No|At|State", rows, "status")["sequence"] == "Seq No"


@pytest.mark.parametrize("form", ["2026-11-03T14:{:02d}:{:02d}Z", "2026-11-03T08:{:02d}:{:02d}-06:00"])
def test_when_a_call_came_goes_before_when_it_was_typed_in_however_the_two_are_written(form: str):
    calls = [  # 1793715400 s since 1970 is 14:16:40 UTC, eight seconds after the call
        f"K-{n}|{1793715400 + 60 * (n - 16)}|{form.format(n, 32)}|{form.format(n + 2, 5)}|Oxbow|No key for door {n}|new"
        for n in range(16, 22)
    ]
    found = proposed("Call|Created|Taken|Dispatched|Place|Description|Status", calls, "tickets")
    assert (found["opened_at"], found["assigned_at"]) == ("Taken", "Dispatched")
