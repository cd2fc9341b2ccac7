"""The names and words that exports use, as the data file lists them."""

import pytest

from pipeline.contracts.feeds import FEEDS
from pipeline.sources.likeness import name_likeness, readings, tokens, words
from pipeline.sources.looks import our_columns


def test_every_name_of_the_data_file_belongs_to_a_column_of_ours():
    listed = words()
    kinds = {kind: {ours.name: ours for ours in our_columns(kind)} for kind in FEEDS}
    for kind, columns in listed["names"].items():
        known = set().union(*kinds.values()) if kind == "any" else set(kinds[kind])
        assert set(columns) <= known, kind


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


def test_kindred_words_count_nearly_as_the_word_itself():
    assert 0.9 < name_likeness("Allocated At Time", "tickets", "assigned_at") <= 1
    assert 0.9 < name_likeness("Consumers affected", "outages", "customers") <= 1


def test_a_short_word_is_no_other_that_is_nearly_spelled_so():
    assert name_likeness("When was it over", "tickets", "rover_id") < 0.6


def test_what_stands_in_brackets_may_be_left_out():
    assert name_likeness("Opened (as the desk wrote it)", "tickets", "opened_at") == 1


def test_every_usual_range_and_order_is_of_columns_of_ours():
    kinds = {kind: {ours.name for ours in our_columns(kind)} for kind in FEEDS}
    for kind, ranges in words()["usual"].items():
        assert set(ranges) <= (set().union(*kinds.values()) if kind == "any" else kinds[kind])
    for kind, chains in words()["order"].items():
        assert {name for chain in chains for name in chain} <= kinds[kind]
