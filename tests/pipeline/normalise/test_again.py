"""How much a call's words are like those of calls about an earlier one."""

import math
from itertools import product

import pytest

from pipeline.normalise import again, voices, wording


def test_a_word_says_how_much_oftener_such_calls_hold_it():
    # Two texts of each kind, "still" in both of one: 2 + 1 to 0 + 1, for two texts of the usual mixture, which is one
    # of each kind, are taken to hold every word besides (additive smoothing; Lidstone 1920, from memory).
    learnt = again.learn([("still dark", True), ("still cold", True), ("dark room", False), ("cold room", False)])
    assert learnt["still"] == pytest.approx(math.log(3))
    assert learnt["dark"] == pytest.approx(0.0)
    assert learnt["room"] == pytest.approx(-math.log(3))


def test_no_word_decides_alone_and_nothing_is_learnt_from_one_kind():
    many = [("still", True)] * 500 + [("room", False)] * 500
    assert set(again.learn(many).values()) <= {again.LEAST, again.MOST}
    assert again.learn([("still", True)]) == {} and again.odds({}, "still") == 0.0


def test_calls_about_an_earlier_one_are_told_from_others_in_a_voice_left_out():
    voice = "set A: stories"
    learnt = wording.vocabulary("", voice).again
    said = [
        (again.odds(learnt, told.text), told.is_again)
        for told in voices.voices()
        if told.voice == voice and told.is_again is not None
    ]
    pairs = [a > b for a, is_again in said if is_again for b, other in said if not other]
    assert sum(pairs) / len(pairs) >= 0.8


def test_a_long_text_is_not_for_its_length_alone_unlike_a_call_about_an_earlier_one():
    words = ["".join(letters) for letters in product("abcdefg", repeat=3)]
    assert again.odds(dict.fromkeys(words, -again.BY_LENGTH), " ".join(words)) >= again.odds({}, "")
    assert again.odds({}, " ".join(words[:9])) == 0.0
