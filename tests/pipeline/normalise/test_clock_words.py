"""Times told in words. The digits follow from the words; how people say the time is common practice, no source."""

import pytest

from pipeline.normalise.clock_words import in_digits


@pytest.mark.parametrize(
    ("told", "digits"),
    [
        ("half past twelve", "12:30"),
        ("quarter to two", "1:45"),
        ("a quarter past 1", "1:15"),
        ("ten past one", "1:10"),
        ("twenty-five to one", "12:35"),
        ("twenty five minutes after nine", "9:25"),
        ("since noon", "since 12:00 pm"),
        ("12 midnight", "12:00 am"),
        ("five o'clock", "5:00"),
        ("util now says 5", "util now says 5:00"),
        ("back by 4.", "back by 4:00."),
        ("five to ten people", "five to ten people"),
        ("ten to 2 hours", "ten to 2 hours"),
        ("ETA 1.5 hours", "ETA 1.5 hours"),
        ("Noon Street", "Noon Street"),
        ("half of two classrooms", "half of two classrooms"),
    ],
)
def test_told_times_become_digits_and_other_numbers_stay(told: str, digits: str):
    assert in_digits(told) == digits
