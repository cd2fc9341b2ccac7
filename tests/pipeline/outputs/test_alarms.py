"""Alarms: a threshold on any estimate, said once, its end told, muted with a reason."""

import json
from dataclasses import replace
from datetime import timedelta

import polars as pl
import pytest

from pipeline.contracts.estimates import ESTIMATES
from pipeline.contracts.events import EntryRows
from pipeline.outputs import alarms

NAMES = {"S1": "Sedge Hall"}


def set_alarm(name: str = "long", **more) -> dict:
    values = {"what": "lines", "column": "wait_minutes_median", "side": "over", "threshold": 30.0} | more
    return {"entry_id": f"set-{name}", "action": alarms.SET, "target": name, "values": json.dumps(values)}


@pytest.fixture
def told(day, dispatch_inputs):
    """The alarms that some entries set."""
    known = dispatch_inputs([])[0]

    def read(*entries: dict) -> list[alarms.Alarm]:
        rows = [{"at": day.at, "received_at": day.at + timedelta(seconds=n), **e} for n, e in enumerate(entries)]
        return alarms.alarms(replace(known, entries=day.filled(EntryRows, rows)))

    return read


def lines(*waits: float) -> pl.DataFrame:
    return pl.DataFrame(
        {"site_id": ["S1"] * len(waits), "line": ["checkin"] * len(waits), "wait_minutes_median": waits}
    )


def sounding(found, *waits: float):
    return alarms.sounding(found, lambda what: lines(*waits), NAMES)


def test_an_alarm_sounds_over_its_threshold_and_names_the_worst(told):
    found = sounding(told(set_alarm()), 12.0, 31.0, 44.0)
    assert [s.rows for s in found] == [2]
    assert alarms.in_words(found[0]).startswith(
        "long: lines, wait minutes median over 30 in 2 rows. Sedge Hall, checkin: 44"
    )
    assert sounding(told(set_alarm()), 30.0) == []


def test_under_is_the_other_side(told):
    assert len(sounding(told(set_alarm(side="under")), 12.0)) == 1


@pytest.mark.parametrize("wrong", [{"what": "votes"}, {"column": "basis"}, {"side": "near"}, {"threshold": "many"}])
def test_an_alarm_that_cannot_be_meant_is_none(told, wrong: dict):
    assert told(set_alarm(**wrong)) == []


def test_a_muted_alarm_keeps_its_reason_and_a_withdrawn_one_is_gone(told):
    mute = {"entry_id": "m", "action": alarms.MUTED, "target": "long", "values": json.dumps({"why": "known"})}
    assert [a.muted_why for a in told(set_alarm(), mute)] == ["known"]
    gone = {"entry_id": "w", "action": "withdraw", "withdraws": "set-long"}
    assert told(set_alarm(), gone) == []


def test_each_alarm_is_said_once_and_its_end_is_told(told, day):
    found, teller, at = told(set_alarm()), alarms.Told(), day.at
    assert len(teller.news(sounding(found, 44.0), at)) == 1
    assert teller.news(sounding(found, 50.0), at + timedelta(minutes=5)) == []
    assert teller.news([], at + timedelta(minutes=12)) == ["long: over, after 12 min."]
    assert len(teller.news(sounding(found, 44.0), at + timedelta(minutes=20))) == 1


def test_a_threshold_stands_on_numbers_only():
    assert "wait_minutes_median" in alarms.numeric_columns("lines")
    assert {"site_id", "at", "basis"}.isdisjoint(alarms.numeric_columns("lines"))
    assert sum(bool(alarms.numeric_columns(what)) for what in ESTIMATES) > len(ESTIMATES) / 2
