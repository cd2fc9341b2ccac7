"""How many people wait, as callers put it."""

import pytest

from pipeline.normalise.crowds import read_crowd


@pytest.mark.parametrize(
    ("text", "waiting"),
    [
        ("40 in line", 40),
        ("about 35 standing", 35),
        ("27 ppl", 27),
        ("line is 30 & growing", 30),
        ("~51 waiting", 51),
        ("49ish waiting, no other problem", 49),
        ("line of 34 and growing", 34),
        ("line at 29ish", 29),
        ("long line 42 all morning", 42),
        ("twenty five ahead", 25),
        ("30-40 people in line", 35),
        ("a couple dozen in line", 24),
        ("over a hundred people", 100),
        ("line is long, 41ish", 41),
        ("10+ in line, 15 mins so far", 10),
        ("line out the door", None),
        ("wait is 25 minutes", None),
        ("line since 10:15", None),
        ("scanner 12 jammed", None),
    ],
)
def test_people_in_line_are_counted_as_said_and_minutes_are_not(text: str, waiting: float | None):
    assert read_crowd(text, "long-line", frozenset()).waiting == waiting


@pytest.mark.parametrize(
    "text", ["nobody waiting", "no line right now", "no line, printer is out", "no one in line", "no wait at all"]
)
def test_no_line_is_heard(text: str):
    crowd = read_crowd(text, "scanner-down", frozenset())
    assert crowd.is_none and crowd.waiting is None


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("long line at check-in", "checkin"),
        ("20 waiting to check in", "checkin"),
        ("line for the scanner is 30", "scanner"),
        ("scanner line out of control", "scanner"),
        ("long line, 30", None),
    ],
)
def test_the_line_meant_is_heard(text: str, line: str | None):
    assert read_crowd(text, "long-line", frozenset()).line == line


@pytest.mark.parametrize(
    ("text", "waiting"),
    [
        ("long line, caller's ph (555)555-0106", None),
        ("line is long call 5555550119", None),
        ("line out the door cb 555 0142", None),
        ("line out the door, # is (555) 555-0168", None),
        ("line out the door [phone]", None),
        ("call back at 555 people waiting", None),
        ("called 911 people waiting", None),
        ("pct 39 voters waiting outside", None),
        ("unit vs-2128 people waiting", None),
        ("error 12 people waiting", None),
        ("line since 7:30, people waiting", None),
        ("voter in line 1 hr 15, asks how long", None),
        ("[name] fifteen. the line is out the hall", None),
        ("[name] six. line around the building, one-one-zero people", 110),
        ("line growing since 6", None),
        ("line at 1338 copper terrace is long", None),
        ("line 89 and growing cb # 555-0135", 89),
        ("only 1 scanner 40 people in line", 40),
        ("room 114 line of 20", 20),
        ("at 10 am 30 people", 30),
        ("35 people called the office", 35),
    ],
)
def test_numbers_of_telephones_places_units_and_times_are_no_heads(text: str, waiting: float | None):
    assert read_crowd(text, "long-line", frozenset()).waiting == waiting


@pytest.mark.parametrize(
    "text",
    [
        "custody is a 2 person task, can someone come",
        "two person job and I am alone",
        "we gave 2 voters the wrong ballot",
        "turned away three people before it was fixed",
        "need 2 people to carry the box",
        "helped about 30 voters so far, all fine",
    ],
)
def test_people_to_whom_something_was_done_or_who_are_asked_for_are_no_line(text: str):
    assert read_crowd(text, "ballot-stock", frozenset()).waiting is None


@pytest.mark.parametrize(
    ("text", "waiting"),
    [("told 30 people waiting to be patient", 30), ("1 person is waiting", 1), ("3 voters behind me waiting", 3)],
)
def test_people_who_wait_are_a_line_whatever_was_done_to_them(text: str, waiting: float):
    assert read_crowd(text, "scanner-down", frozenset()).waiting == waiting


@pytest.mark.parametrize(
    "text",
    [
        "nobody here to let us in",
        "nobody here knows the password",
        "no line to speak of",
        "no lines worth mentioning, printer is out",
        "no line problems",
    ],
)
def test_an_absent_worker_or_hardly_a_line_is_not_an_empty_line(text: str):
    assert not read_crowd(text, "site-access", frozenset()).is_none


@pytest.mark.parametrize("text", ["nobody here right now", "no one is here.", "quiet, nobody here and all is well"])
def test_an_empty_room_is_an_empty_line(text: str):
    assert read_crowd(text, "scanner-down", frozenset()).is_none


@pytest.mark.parametrize(
    ("text", "category"),
    [
        ("can 2 voters share a booth", "procedure"),
        ("3 folks from the party outside with signs", "conduct"),
        ("the lift takes 8 people", "site-access"),
        ("we expected 6 people to work and have 4", "staffing"),
        ("we need about 20", "ballot-stock"),
        ("the line is short and I gave 2 voters a new pen", "long-line"),
        ("phone line is fine, 4 lights blink", "transmission"),
        ("where does line 4 of the sheet go", "procedure"),
    ],
)
def test_a_number_that_no_word_of_waiting_governs_is_no_line(text: str, category: str):
    assert read_crowd(text, category, frozenset()).waiting is None


@pytest.mark.parametrize(
    ("text", "waiting"),
    [
        ("scanner stopped, about 20 people backed up", 20),
        ("machine down and the queue is 35", 35),
        ("60 voters out the door", 60),
        ("doors still locked with 15 outside waiting", 15),
    ],
)
def test_a_number_that_a_word_of_waiting_governs_is_a_line_whatever_the_trouble(text: str, waiting: float):
    assert read_crowd(text, "scanner-down", frozenset()).waiting == waiting


@pytest.mark.parametrize("text", ["no wait, it is the other door", "there is no line manager here"])
def test_a_word_of_the_line_in_another_sense_tells_of_no_line(text: str):
    assert not read_crowd(text, "other", frozenset()).is_none
