"""Text into words, and phrases found among them."""

import pytest

from pipeline.normalise import wording
from pipeline.normalise.wording import stem, understood, vocabulary


@pytest.mark.parametrize("words", [("jam", "jams", "jammed", "jamming"), ("print", "prints", "printed", "printing")])
def test_a_words_endings_do_not_matter(words: tuple[str, ...]):
    assert len({stem(w) for w in words}) == 1


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("scanenr", "scanner"),
        ("balloot", "ballot"),
        ("jmamed", "jammed"),
        ("ptinter", "printer"),
        ("lnie", "line"),
        ("semd", "send"),
    ],
)
def test_slips_of_the_keys_are_put_right(typed: str, meant: str):
    assert understood(vocabulary(), typed) == (stem(meant),)


@pytest.mark.parametrize("word", ["recurring", "meal", "mine", "session", "persist"])
def test_ordinary_words_are_left_as_they_are(word: str):
    assert understood(vocabulary(), word) == (stem(word),)


def test_words_run_together_are_taken_apart():
    assert understood(vocabulary(), "scannerjam") == ("scanner", "jam")


def test_every_category_of_the_vocabulary_is_one_of_the_contracts():
    from pipeline.contracts.words import TICKET_CATEGORIES

    kinds = {
        p.kind.partition(":")[2]
        for ps in vocabulary().phrases.values()
        for p in ps
        if p.kind.startswith(("cue", "hint"))
    }
    assert kinds == set(TICKET_CATEGORIES)
    assert {rule[0] for rule in vocabulary().rules} <= set(TICKET_CATEGORIES)


def test_every_rule_names_a_thing_and_a_sign_that_exist():
    kinds = {p.kind for ps in vocabulary().phrases.values() for p in ps}
    assert all(f"thing:{thing}" in kinds and f"sign:{sign}" in kinds for _, thing, sign, _ in vocabulary().rules)


def test_a_longer_phrase_takes_the_words_of_a_shorter_one():
    words = wording.clauses_of(vocabulary(), "signature pad is upside down")[0]
    assert "sign:dead" not in {m.phrase.kind for m in wording.matches(vocabulary(), words)}
