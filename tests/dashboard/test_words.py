"""How the board says things."""

from datetime import UTC, datetime, timedelta

import pytest

from dashboard import words

AT = datetime(2026, 11, 3, 16, tzinfo=UTC)


@pytest.mark.parametrize(
    ("listed", "said"),
    [
        ("feed-roller:3;thermal-roll:4;battery:0", "3 feed roller, 4 thermal roll, no battery"),
        ("battery", "battery"),
        ("cable:-2", "cable:-2"),
        (" ; ", "nothing listed"),
        (None, "nothing listed"),
    ],
)
def test_what_a_vehicle_carries_is_told_in_words(listed: str | None, said: str):
    assert words.parts(listed) == said


def test_skills_are_told_as_what_somebody_mends():
    assert words.skills("scanner;bmd;poll-book;power") == "scanners, marking devices, poll books, power"
    assert words.skills(None) == "none listed"


def test_how_long_ago_is_a_whole_phrase():
    assert words.ago(AT, AT) == "just now"
    assert words.ago(AT - timedelta(minutes=12), AT) == "12 min ago"


def test_next_to_nothing_at_stake_is_not_told_as_a_figure():
    assert words.voter_minutes(0.0) == "no voter-minutes"
    assert words.voter_minutes(0.4) == "less than one voter-minute"
    assert words.voter_minutes(437.0) == "about 440 voter-minutes"
