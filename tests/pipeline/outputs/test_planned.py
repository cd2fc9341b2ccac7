"""A what-if as a person reads it."""

from datetime import UTC, datetime
from types import SimpleNamespace

import polars as pl
import pytest

from pipeline.outputs import planned

AT = datetime(2026, 11, 3, 16, 30, tzinfo=UTC)  # 10:30 in Chicago


def said(low: float, mean: float, high: float, voters: float = 800.0) -> str:
    known = SimpleNamespace(
        at=AT,
        county=SimpleNamespace(zone="America/Chicago"),
        sites=pl.DataFrame({"site_id": ["P01"], "name": ["Marlpit Grange"]}),
    )
    changes = {f"{name}_change_{end}": value for name in ("wait_minutes", "voter_minutes")
               for end, value in (("low", low), ("mean", mean), ("high", high))}  # fmt: skip
    row = {"site_id": "P01", "from_at": AT, "change": "1 more booth", "voters_mean": voters, "basis": "roster",
           "wait_minutes_as_is_mean": 9.0, "wait_minutes_changed_mean": 9.0 + mean} | changes  # fmt: skip
    return planned.whatif_text(known, pl.DataFrame([{"line": name} | row for name in ("checkin", "all")]))


@pytest.mark.parametrize(
    ("low", "mean", "high", "words"),
    [
        (-9.0, -5.0, -2.0, "5.0 min shorter on average (2.0 to 9.0)."),
        (-9.0, -2.0, 4.0, "2.0 min shorter on average, anything from 9.0 shorter to 4.0 longer."),
        (1.0, 3.0, 6.0, "3.0 min longer on average (1.0 to 6.0)."),
        (-0.01, 0.0, 0.02, "no difference to each of about 800 voters"),
    ],
)
def test_the_sentence_says_what_the_interval_says(low, mean, high, words):
    assert "Marlpit Grange (P01), 1 more booth from 10:30, as known at 10:30: " in said(low, mean, high)
    assert words in said(low, mean, high)


def test_after_the_last_voter_nobody_gains():
    assert "nobody is left to be served." in said(0.0, 0.0, 0.0, voters=0.0)


def test_the_figures_are_said_to_be_unofficial():
    assert "unofficial" in said(-1.0, -1.0, -1.0)
