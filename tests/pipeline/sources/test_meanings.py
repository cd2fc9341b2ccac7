"""Words of other people's closed lists mean ours: as listed, else by the sense of their words (common practice, no source)."""

import pytest

from pipeline.contracts import words as ours
from pipeline.contracts.feeds import FEEDS
from pipeline.sources.looks import our_columns
from pipeline.sources.meanings import meaning, meaning_words

LISTS = {
    "milestone": ours.MILESTONES, "status": ours.TICKET_STATUSES, "state": ours.UNIT_STATES, "power": ours.POWER_SOURCES,
    "paper": ours.PAPER_STATES, "cards": ours.CARD_STATES, "modem": ours.MODEM_STATES, "accessible": ours.ACCESSIBLE_STATES,
    "role": ours.ROLES, "type": ours.DEVICE_TYPES, "skills": ours.ROVER_SKILLS,
}  # fmt: skip


def test_every_word_of_the_data_file_belongs_to_a_word_of_ours_and_every_line_to_a_sense():
    listed = {o.name: o.choices for kind in FEEDS for o in our_columns(kind) if o.choices}
    for part in ("words", "means"):
        for column, meanings in meaning_words()[part].items():
            assert set(meanings) <= set(listed[column]), column
    lines = [line for column in meaning_words()["means"].values() for many in column.values() for line in many]
    assert {sense for line in lines for sense in line.split()} <= set(meaning_words()["senses"])


def test_no_word_of_the_data_file_means_two_things():
    for part in ("words", "means"):
        for column, meanings in meaning_words()[part].items():
            flat = [frozenset(w.split()) if part == "means" else w for many in meanings.values() for w in many]
            assert len(flat) == len(set(flat)), column


@pytest.mark.parametrize(
    ("column", "word", "wanted"),
    [
        ("milestone", "Thumb drive handed to the courier", "media-handed-over"),
        ("milestone", "Flash card zipped up and sealed", "media-sealed"),
        ("milestone", "Ballot boxes brought back to the warehouse", "ballots-received"),
        ("milestone", "Zero slip signed", "zero-tape"),
        ("milestone", "Voting held up", "suspended"),
        ("milestone", "Numbers uploaded", "transmitted"),
        ("status", "Looking into it", "assigned"),
        ("status", "Not started yet", "open"),
        ("status", "Taken care of", "resolved"),
        ("state", "Taking ballots", "scanning"),
        ("state", "Not working", "fault"),
        ("power", "Cord in wall socket", "mains"),
        ("paper", "Nearly empty", "low"),
        ("cards", "No sticks", "none"),
        ("modem", "Cannot connect", "down"),
        ("accessible", "Not plugged in", "absent"),
        ("role", "In storage", "spare"),
        ("type", "Voter list tablet", "electronic-poll-book"),
        ("skills", "Vote counters", "scanner"),
        ("power", "LinePower", "mains"),
        ("power", "OnBattery", "battery"),
        ("paper", "runningLow", "low"),
        ("cards", "1of2", "one"),
        ("accessible", "NotFound", "absent"),
        ("milestone", "Doors open to voters", "open"),
    ],
)
def test_a_phrase_means_what_its_words_say_together(column: str, word: str, wanted: str):
    found = meaning(word, column, LISTS[column])
    assert found is not None and found.ours == wanted


@pytest.mark.parametrize(
    ("column", "word"),
    [
        ("milestone", "Ready to open"),
        ("milestone", "Polls not open"),
        ("milestone", "Line closed"),
        ("milestone", "Lunch for all"),
        ("status", "not really resolved"),
        ("cards", "Main or backup"),
    ],
)
def test_a_phrase_that_says_less_or_the_contrary_means_nothing(column: str, word: str):
    assert meaning(word, column, LISTS[column]) is None


def test_a_word_that_another_begins_is_not_that_word():
    choices = ("ready", "scanning")
    assert meaning("undetected", "accessible", LISTS["accessible"]) is None
    assert (found := meaning("inactive", "state", choices)) is None or found.ours != "ready"


def test_a_denied_word_is_not_taken_for_its_opposite():
    assert meaning("Resolved (callback)", "status", LISTS["status"]).ours == "resolved"
