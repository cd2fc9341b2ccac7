"""A county's own words are added to the shipped ones."""

import tomllib
from collections.abc import Callable

import pytest

from pipeline.contracts.known import Known
from pipeline.errors import SettingsError
from pipeline.normalise import county_words, wording
from pipeline.normalise.troubles import read_text, read_tickets
from pipeline.normalise.weighing import weigh

OWN = '''
[cues.seal]
8 = """
wax dot
"""
[examples]
staffing = """
the brigade is one short tonight
"""
[spelled]
zorpy = "jammed"
'''


def test_a_phrase_an_example_and_a_spelling_of_a_county_are_read_as_it_says():
    book = wording.vocabulary(OWN)
    assert weigh(read_text("the wax dot came loose", "", book), None, {})[0] == "seal"
    assert weigh(read_text("brigade is short", "", book), None, {})[0] == "staffing"
    assert weigh(read_text("scanner zorpy", "", book), None, {})[0] == "scanner-jam"


def test_tickets_are_read_with_the_words_in_force(make_known: Callable[..., Known]):
    ticket = [{"text": "wax dot"}]
    plain, own = read_tickets(make_known(ticket)), read_tickets(make_known(ticket, vocabulary=OWN))
    assert own["category"].item() == "seal" != plain["category"].item()
    assert "wax dot" in own["decided_by"].item()


def test_the_shipped_words_stay():
    text = "a ballot is wedged in the scanner"
    assert weigh(read_text(text, "", wording.vocabulary(OWN)), None, {})[0] == "scanner-jam"


def test_every_section_of_the_shipped_words_may_be_added_to():
    assert set(wording.shipped()) == set(county_words.SECTIONS)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[cues", "not readable as TOML"),
        ("[weather]\na = 'b'", "weather: no such section"),
        ("[cues.weather]\n6 = 'rain'", "cues.weather: not known"),
        ("[cues]\nseal = 'wax'", "cues.seal: write a weight from 1 to 9"),
        ("[cues.seal]\n60 = 'wax'", "cues.seal: write a weight from 1 to 9"),
        ("[examples]\nseal = 3", "examples.seal: not text"),
        ("[rules]\nseal = 'seal broken 5'", "rules.seal: write each line as thing"),
        ("noise = 'call'", "noise: no such section"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_sentence(text: str, says: str):
    with pytest.raises(SettingsError, match=says):
        county_words.table(text, "vocabulary.toml")


def test_an_unknown_class_in_a_phrase_is_a_plain_word():
    book = wording.vocabulary('[cues.seal]\n8 = "@waxen dot"')
    assert weigh(read_text("waxen dot", "", book), None, {})[0] == "seal"


def test_nothing_added_is_the_shipped_vocabulary():
    assert county_words.added(wording.shipped(), tomllib.loads("")) == wording.shipped()
