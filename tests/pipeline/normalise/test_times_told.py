"""Past times that a caller names. Common practice, no source."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from pipeline.normalise.times_told import is_told, times_told

ZONE = ZoneInfo("America/Chicago")
OPENED = datetime(2026, 11, 3, 20, tzinfo=UTC)  # 14:00


def at(hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 11, 3, hour, minute, tzinfo=ZONE).astimezone(UTC)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("still dead since 7", at(7)),
        ("as we said at six am", at(6)),
        ("I told you people at noon", at(12)),
        ("same as 0635, no change", at(6, 35)),
        ("about the paper from 530", at(5, 30)),
        ("the sheet at ten past six", at(6, 10)),
        ("been like that since eight", at(8)),
        ("I told you this at 6 50", at(6, 50)),
        ("my call at 1:10", at(13, 10)),
        ("I called over two hours ago", at(12)),
        ("we have waited for an hour", at(13)),
        ("half an hour ago I rang", at(13, 30)),
    ],
)
def test_a_past_time_is_of_the_ticket_that_was_opened_then(text: str, told: datetime):
    times = times_told(text, OPENED, ZONE)
    assert is_told(times, told + timedelta(minutes=3))
    assert not is_told(times, told - timedelta(minutes=75)) and not is_told(times, told + timedelta(minutes=75))


@pytest.mark.parametrize(
    "text",
    [
        "the others come at four",  # that is still to come
        "closed at 1:58 pm",  # the time of the call itself
        "at 60 percent",
        "since 40 people came",
        "about 9 voters left",
        "stuck at 7 ballots",
        "the jam at 7 was cleared",  # what ended is another trouble
        "it was fixed at 11 and ran well",
        "room 7, table 6",
    ],
)
def test_a_number_that_is_no_time_and_a_trouble_that_ended_name_no_ticket(text: str):
    assert times_told(text, OPENED, ZONE) == ()


def test_the_latest_past_time_is_meant_where_the_half_of_the_day_is_not_told():
    evening = datetime(2026, 11, 4, 2, 20, tzinfo=UTC)  # 20:20
    assert is_told(times_told("since six", evening, ZONE), at(18))
    assert not is_told(times_told("since six", evening, ZONE), at(6))
    assert is_told(times_told("since six am", evening, ZONE), at(6))
