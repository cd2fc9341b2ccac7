"""What of a text is told in passing. The sentences are invented; no outside source lists such calls."""

import pytest

from pipeline.normalise.asides import ASIDE, shares, without_caller
from pipeline.normalise.forms import tidy
from pipeline.normalise.troubles import read_text, weigh
from pipeline.normalise.wording import parts_of


def told(text: str) -> list[bool]:
    """Whether each clause counts wholly."""
    return [share == 1.0 for share in shares(parts_of(tidy(text)))]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("last year the power failed, now the seal is torn", [False, True]),
        ("the jam is cleared. the box is full", [False, True]),
        ("scanner jammed, we got that fixed, but the tape is blank", [False, False, True]),
        ("no trouble with the tablets, the headset is silent", [False, True]),
        ("in the primary the tablets froze, the line was long, today the scanner is dead", [False, False, True]),
        ("the jam cant be cleared, voters wait", [True, True]),
        ("backup gave out before the power came back, 3 waiting", [True, True]),
        ("the scanner is not fine, the lid is off", [True, True]),
        ("everything was fine", [True]),  # all is told in passing, so all counts
        ("", [True]),
    ],
)
def test_history_what_is_settled_and_what_goes_well_count_for_little(text: str, expected: list[bool]):
    counted = told(text)
    assert [
        c for c, (_, part) in zip(counted, parts_of(tidy(text)), strict=True) if part.strip() or not text
    ] == expected


@pytest.mark.parametrize(
    ("text", "rest"),
    [
        ("Caller Ann Reed, chief judge, states the box is full", " the box is full"),
        ("CLR says that they are locked out", " they are locked out"),
        ("the caller says nothing else", "the caller says nothing else"),
    ],
)
def test_who_calls_says_nothing_of_what_is_wrong(text: str, rest: str):
    assert without_caller(text) == rest


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("scanner jammed earlier, all cleared, but now the zero report wont print", "tape-printer"),
        ("last election it was the power, this time the memory card is missing", "memory-card"),
        ("line was bad this morning and that is over, the poll book is frozen", "poll-book"),
        ("not calling about the power, the seal number is wrong", "seal"),
        ("scanner jammed", "scanner-jam"),
        ("the jam was cleared", "scanner-jam"),
    ],
)
def test_the_present_trouble_is_read_and_the_past_one_is_not(text: str, expected: str):
    assert weigh(read_text(text), None, {})[0] == expected


@pytest.mark.parametrize(
    "text",
    [
        "earlier a man threatened our judge with a gun, he left, but now the scanner is jammed",
        "there was smoke from the scanner earlier, it is fine now, but the printer is out of paper",
        "a wire fell on the driveway before, it's been dealt with; need more pens",
        "had a small fire in the kitchen, it is out now, fixed. Now the box is full",
        "a voter fell earlier, she is okay now. The scanner jammed",
    ],
)
def test_danger_is_never_told_in_passing(text: str):
    scores = dict(read_text(text).scores)
    with_danger_alone = dict(read_text(text.replace(" earlier", "").replace("earlier ", "")).scores)
    assert scores["safety"] >= 0.9 * with_danger_alone["safety"] > 0


@pytest.mark.parametrize(
    ("text", "is_danger"),
    [
        ("her knees do not fit under the table, chair arms hit", False),
        ("the arm of booth 3 is bent", False),
        ("there is an armed man in the lot", True),
        ("two of them are openly armed by the door", True),
    ],
)
def test_an_arm_is_no_weapon_and_whoever_is_armed_is_a_danger(text: str, is_danger: bool):
    scores = dict(read_text(text, "").scores)
    assert (max(scores, key=lambda category: scores[category]) == "safety") == is_danger


@pytest.mark.parametrize(
    "text", ["bad pens bleeding thru", "the ink bleeds through the sheet", "marker bled on the ballots"]
)
def test_ink_that_bleeds_hurts_nobody(text: str):
    assert "safety" not in dict(read_text(text).scores)


@pytest.mark.parametrize(
    "text", ["he is bleeding through the bandage", "bleeding on the paper towels", "fell, bleeding"]
)
def test_a_person_who_bleeds_is_in_danger(text: str):
    assert weigh(read_text(text), None, {})[0] == "safety"


def test_an_outcome_has_no_asides():
    plain, outcome = (dict(read_text("cleared the jam, watch it", is_outcome=o).scores) for o in (False, True))
    assert outcome["scanner-jam"] > plain.get("scanner-jam", 0.0)
    assert 0 < ASIDE < 1
