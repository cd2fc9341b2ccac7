"""The names and words that exports use, as the data file lists them."""

import pytest

from pipeline.contracts.feeds import FEEDS
from pipeline.sources.likeness import name_likeness, readings, tokens, words
from pipeline.sources.looks import our_columns
from pipeline.sources.meanings import meaning, meaning_words


def test_every_name_and_word_of_the_data_file_belongs_to_a_column_and_a_word_of_ours():
    listed = words()
    kinds = {kind: {ours.name: ours for ours in our_columns(kind)} for kind in FEEDS}
    for kind, columns in listed["names"].items():
        known = set().union(*kinds.values()) if kind == "any" else set(kinds[kind])
        assert set(columns) <= known, kind
    by_name = {}
    for columns in kinds.values():
        by_name |= {name: ours for name, ours in columns.items() if ours.choices}
    for column, meanings in meaning_words()["words"].items():
        assert set(meanings) <= set(by_name[column].choices), column


def test_no_word_of_the_data_file_means_two_things():
    for column, meanings in meaning_words()["words"].items():
        flat = [word for many in meanings.values() for word in many]
        assert len(flat) == len(set(flat)), column


@pytest.mark.parametrize(
    ("name", "parted"),
    [("OPENDT", ("open", "time")), ("caseNumber", ("case", "id")), ("Machine #", ("machine", "id")), ("BATT_PCT", ("battery", "percent")),
     ("HTTPServerId", ("http", "server", "id")), ("The Notes", ("notes",))],
)  # fmt: skip
def test_a_header_is_taken_apart(name: str, parted: tuple[str, ...]):
    assert tokens(name) == parted


def test_a_short_form_of_two_words_is_read_both_ways():
    assert readings("Clr time") == (("cleared", "time"), ("caller", "time"))
    assert name_likeness("Clr", "tickets", "resolved_at") == name_likeness("Clr", "tickets", "caller") == 1


@pytest.mark.parametrize("name", ["Rec'd", "Rec’d", "RECD", "rcvd"])
def test_an_apostrophe_in_a_short_form_parts_no_word(name: str):
    assert tokens(name) == ("received",)


def test_likeness_is_one_for_a_listed_name_and_small_for_another():
    assert name_likeness("CASE_NO", "tickets", "ticket_id") == 1
    assert name_likeness("Descripton", "tickets", "text") > 0.9
    assert name_likeness("weather", "tickets", "text") < 0.6


def test_a_denied_word_is_not_taken_for_its_opposite():
    choices = ("open", "assigned", "resolved")
    assert meaning("not really resolved", "status", choices) is None
    assert meaning("Resolved (callback)", "status", choices).ours == "resolved"
