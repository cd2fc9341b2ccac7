"""What a form prints into every ticket."""

from pipeline.normalise.printed import printed, told

FOOT = "Sent by the request form. Battery level may delay replies."
TROUBLES = ["jam", "no key", "dark", "line", "seal", "roll", "noise", "staff"]


def test_lines_that_stand_beside_many_troubles_are_read_over():
    lines = printed([(trouble[0], f"{trouble}\n{FOOT}") for trouble in TROUBLES], str)
    assert [told(f"{trouble}\n{FOOT}", lines) for trouble in TROUBLES] == TROUBLES


def test_what_one_place_repeats_or_a_whole_ticket_says_stays():
    assert printed([("a", f"{trouble}\n{FOOT}") for trouble in TROUBLES], str) == frozenset()
    assert printed([(place, "scanner jammed once more") for place in "abcdefghi"], str) == frozenset()
    assert told("scanner jammed once more", frozenset({"scanner jammed once more"})) == "scanner jammed once more"


def test_a_trouble_that_many_places_tell_in_the_same_words_is_no_printed_line():
    said = [(place, f"All the poll books are down. {n} people wait.") for n, place in enumerate("abcdefghijklm")]
    assert printed(said, lambda rest: "long-line" if "wait" in rest else "other") == frozenset()
