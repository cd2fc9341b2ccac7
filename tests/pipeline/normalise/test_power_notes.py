"""What power notes say. The times follow from the note's own words; no outside source lists such notes."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from pipeline.contracts.known import Known
from pipeline.normalise.power_notes import battery_of, event_of, read_notes, read_times

ZONE = ZoneInfo("America/Chicago")
RECEIVED = datetime(2026, 11, 3, 14, 1, tzinfo=ZONE).astimezone(UTC)  # 2:01 p.m.


def local(time: datetime | None) -> str | None:
    return time.astimezone(ZONE).strftime("%H:%M") if time else None


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ("Oxbow lights out since abt 7:30, running on battery", "lost"),
        ("no power at Oxbow", "lost"),
        ("utility confirms outage on K2", "lost"),
        ("still not back at Oxbow", "lost"),
        ("Oxbow back on mains", "restored"),
        ("power restored 3:10p", "restored"),
        ("all ok again at Oxbow", "restored"),
        ("Oxbow: off, should be restored by 4pm", "lost"),
        ("Oxbow lights blinked once", "flicker"),
        ("few sec only, all fine", "flicker"),
        ("generator running at Oxbow", "generator"),
        ("Oxbow battery low 12%", "battery-low"),
        ("lights died at Oxbow", "lost"),
        ("Oxbow has been without electricity for 20 minutes", "lost"),
        ("power bumped twice at Oxbow", "flicker"),
        ("Oxbow power came back about 5 min ago", "restored"),
        ("Oxbow no longer on generator, mains back", "restored"),
        ("Oxbow scanner battery down to 15%", "battery-low"),
        ("judge says hello", "other"),
    ],
)
def test_what_happened_is_read(text: str, event: str):
    assert event_of(text) == event


@pytest.mark.parametrize(
    ("text", "at", "promised"),
    [
        ("7:42a Oxbow - lights out since abt 7:30, on battery, util says 4:15", "07:30", "16:15"),
        ("1:52 pm Oxbow dark", "13:52", None),
        ("1352 Oxbow dark", "13:52", None),
        ("13.52: Oxbow dark, etr 3:30pm", "13:52", "15:30"),
        ("1352h Oxbow dark back by 3:30", "13:52", "15:30"),
        ("Oxbow dark since 12:40", "12:40", None),
        ("Oxbow out an hour ago", "13:01", None),
        ("1:50p Oxbow out abt 10 min ago", "13:40", None),
        ("11:58 Oxbow out", "11:58", None),  # 11:58 at night has not come yet
        ("Oxbow out, back in 2 hrs", "14:01", "16:01"),
        ("1:30p Oxbow out, back in half an hour", "13:30", "14:00"),
        ("Oxbow without power for an hour", "13:01", None),
        ("Oxbow dark, battery good for an hour", "14:01", None),
        ("Oxbow out since half past twelve", "12:30", None),
        ("Oxbow out at noon", "12:00", None),
        ("Oxbow power came back about 5 min ago", "13:56", None),
        ("Oxbow out, power co says within the hour", "14:01", "15:01"),
        ("Oxbow out, util now says 5", "14:01", "17:00"),
        ("Oxbow dark", "14:01", None),
        ("2:04 pm Oxbow dark", "14:04", None),  # the note's clock runs a little ahead
        ("200 Ferry Street dark", "14:01", None),
        ("1338 Ferry Street dark", "14:01", None),
        ("Oxbow out, back by 12:34", "14:01", None),  # a promise broken, not one for the night
        ("12:05 Oxbow out, back by 12:34", "12:05", "12:34"),
        ("12:05 Oxbow out, etr 8:30", "12:05", "20:30"),
        ("12:05 Oxbow out, etr 23:30", "12:05", "23:30"),
    ],
)
def test_times_are_the_latest_that_they_can_mean(text: str, at: str, promised: str | None):
    occurred, back = read_times(text, RECEIVED, ZONE)
    assert (local(occurred), local(back)) == (at, promised)


@pytest.mark.parametrize(
    ("text", "percent"),
    [
        ("batt 99", 99),
        ("scanner at 38%", 38),
        ("72 percent", 72),
        ("battery low says 0 @ 6:02p", 0),
        ("pct 44-A dark", None),
        ("140%", None),
    ],
)
def test_the_charge_is_read(text: str, percent: float | None):
    assert battery_of(text) == percent


@pytest.mark.parametrize(
    ("text", "site", "circuit"),
    [
        ("1:52 pm - Oxbow Library dark, ckt K2", "P02", "K2"),
        ("outage at the elementary on Tallow [K1]", "P01", "K1"),
        ("no power at 200 Ferry St, circuit k-02", "P02", "K2"),
        ("pct 44-A dark", "P01", None),
        ("util confirms outage on K3", None, "K3"),
        ("Fire Station 13 lights out", "P08", None),
        ("Vintner dark", None, None),
    ],
)
def test_the_place_or_the_circuit_is_read(make_known: Callable[..., Known], text, site, circuit):
    row = read_notes(make_known(notes=[(text, RECEIVED)])).row(0, named=True)
    assert (row["site_id"], row["circuit"]) == (site, circuit)


def test_notes_are_read_from_notes_alone(make_known: Callable[..., Known]):
    assert read_notes(make_known([{"text": "no power at all"}])).is_empty()


def test_the_hour_that_occurs_twice_and_midnight_are_survived(make_known: Callable[..., Known]):
    night = datetime(2026, 11, 4, 0, 10, tzinfo=ZONE).astimezone(UTC)
    row = read_notes(make_known(notes=[("11:55p Oxbow Library dark", night)])).row(0, named=True)
    assert row["occurred_at"] == night - timedelta(minutes=15)
