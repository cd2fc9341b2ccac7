"""What a form prints into every ticket."""

from pipeline.normalise.printed import printed, told

FOOT = "Sent by the request form. Battery level may delay replies."


def test_lines_that_many_places_share_are_read_over():
    texts = [
        (place, f"{trouble}\n{FOOT}") for place, trouble in zip("abcd", ("jam", "no key", "dark", "line"), strict=True)
    ]
    lines = printed(texts)
    assert [told(text, lines) for _, text in texts] == ["jam", "no key", "dark", "line"]


def test_what_one_place_repeats_or_a_whole_ticket_says_stays():
    again = [("a", f"jam\n{FOOT}")] * 9
    whole = [(place, "scanner jammed once more") for place in "abcdef"]
    assert printed(again) == printed(whole) == frozenset()
    assert told("scanner jammed once more", frozenset({"scanner jammed once more"})) == "scanner jammed once more"
