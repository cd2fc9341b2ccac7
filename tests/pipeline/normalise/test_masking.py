"""Columns masked at once are masked as each text is by itself."""

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.normalise import masking, privacy

PIECES = [
    "(555) 555-0142", "555-0142", "5550142", "+1 555 555 0142", "+44 20 7946 0958", "x0179", "ext. 12", "Extn:#45", "five five five, oh one four two",
    "a.b@example.org", "seal 1234567", "1 2 3 4 5 6 7", "count 555-0142", "12 345 678", "555 \u2013 0142", "\u0661\u0662\u0663-\u0664\u0665\u0666\u0667",
    "Alva Trennick", "Trennick", "ALVA TRENNICK", "J. Moss", "O'Hare", "Email", "Judge Bo Marsden", "per Jo", "Mrs. Vance", "caller Alva", "Jo Moss calling",
    "thanks, Bo", "Spoke w/ the Chief", "VOTER A. NEMO", "\u017fam", "\u0130an", "\u212aay", "[phone]", "[name]", "[email]", "\u2014 Jo Moss", "- Bo Marsden",
    "Oak Street", "Jo Moss:", "Paper Jam: ", "Hi, ", "Hi ", "Half", "Rover", "jam at", "called back", "is calling", " ", "  ", "\n", "\x1c", "\x1d", ". ", ", ", "(", ")", "-", ": ", "e\u0301", "_", "7", "x", "ext",
]  # fmt: skip
NAMES = [None, "", "Alva Trennick", "Jo", "Bo Marsden", "Sam", "Kay Ian", "J. Moss", "O'Hare-Vance", "Email Jones", "José Ärger", "poll worker", "A B",
         "One Two Three Four Five Six Seven Eight", "555-0142", "İan"]  # fmt: skip
TEXTS = st.one_of(st.none(), st.text(max_size=12), st.lists(st.sampled_from(PIECES), max_size=7).map("".join))


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(TEXTS, st.sampled_from(NAMES)), min_size=1, max_size=12))
def test_a_column_is_masked_as_each_text_by_itself(rows):
    texts, names = [text for text, _ in rows], [name for _, name in rows]
    masked = masking.mask_column(pl.Series("text", texts, dtype=pl.String), pl.Series(names, dtype=pl.String))
    assert masked.to_list() == privacy.mask_texts(texts, names)
    alone = masking.mask_column(pl.Series("text", texts, dtype=pl.String))
    assert alone.to_list() == privacy.mask_texts(texts, [None] * len(texts))


LED = [
    "ask for ",
    "Judge ",
    "per ",
    "call back ",
    "caller is ",
    "c/o ",
    "Mrs. ",
    "Nemo",
    "Jo Hall",
    "Oak Street",
    "seal 555-0142",
    "555.0199 ",
    "é",
    ", ",
    "\x1c",
]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.lists(st.sampled_from(LED), max_size=9).map("".join), min_size=1, max_size=12))
def test_steps_on_many_texts_do_what_they_do_to_each(texts):
    column = pl.Series(texts, dtype=pl.String)
    assert masking.without_led_in(column).to_list() == [t if t.isupper() else privacy.mask_after_lead(t) for t in texts]
    assert masking.without_short(column).to_list() == [privacy.mask_dashed(text) for text in texts]


def test_a_column_is_left_as_it_was():
    texts = pl.Series(["call 555-0142", None, "a@example.org", "Jo has the key"])
    masking.mask_column(texts, pl.Series([None, None, None, "Jo Moss"]))
    assert texts.to_list() == ["call 555-0142", None, "a@example.org", "Jo has the key"]


def test_only_texts_that_hold_something_are_looked_at_one_by_one(monkeypatch):
    looked: list[str] = []

    def note(text: str) -> str:
        looked.append(text)
        return text

    monkeypatch.setattr(masking, "STEPS", tuple(masking.Step(step.form, note) for step in masking.STEPS))
    plain = [f"paper stuck at station {n}, tape reads {n * 37}" for n in range(1000)]
    masking.mask_column(pl.Series([*plain, "call 555-0142"]))
    assert set(looked) == {"call 555-0142"}


@pytest.mark.parametrize("empty", [[], [None], [""]])
def test_a_column_without_words_stays_as_it_is(empty):
    assert masking.mask_column(pl.Series(empty, dtype=pl.String)).to_list() == empty
