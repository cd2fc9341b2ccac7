"""Units' clocks that are off are found by how early or late their reports seem to come, and corrected."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.normalise.clocks import correct_clocks
from pipeline.settings import Settings

START = datetime(2026, 11, 3, 13, tzinfo=UTC)


def reports(offsets: dict[str, float], late: dict[str, int] | None = None, rounds: int = 30) -> pl.DataFrame:
    """Units that report every ten minutes at phases of their own, collected every ten minutes; minutes off by unit."""
    rows = []
    for k, (unit, offset) in enumerate(offsets.items()):
        for n in range(rounds):
            true = START + timedelta(minutes=10 * n + (3.7 * k) % 10)
            collected = START + timedelta(minutes=10 * (n + 1) + 0.5)
            if n % 7 == (late or {}).get(unit, -1):
                collected += timedelta(minutes=90)
            rows.append((unit, true + timedelta(minutes=offset), n, collected, true))
    schema = {"unit_id": pl.String, "at": pl.Datetime("us", "UTC"), "sequence": pl.Int64}
    schema |= {"received_at": pl.Datetime("us", "UTC"), "true": pl.Datetime("us", "UTC")}
    return pl.DataFrame(rows, schema=schema, orient="row")


def usual() -> dict[str, float]:
    return {f"U{k:02}": 0.4 * (-1) ** k for k in range(24)}


def offset_of(frame: pl.DataFrame, unit: str) -> float:
    return frame.filter(pl.col("unit_id") == unit)["clock_offset_minutes"][0]


def test_right_clocks_are_left_alone():
    found = correct_clocks(reports(usual()), Settings())
    assert found["clock_offset_minutes"].abs().max() == 0
    assert found["occurred_at"].equals(found["at"])


@pytest.mark.parametrize("off", [60.0, -60.0, 120.0, 63.0])
def test_a_clock_on_another_zone_is_moved_by_whole_hours(off):
    found = correct_clocks(reports(usual() | {"ODD": off}), Settings())
    assert offset_of(found, "ODD") == round(off / 60) * 60


@pytest.mark.parametrize("off", [14.0, -25.0, 33.0])
def test_a_clock_off_by_minutes_is_right_within_one_round_after(off):
    found = correct_clocks(reports(usual() | {"ODD": off}), Settings())
    assert offset_of(found, "ODD") == pytest.approx(off, abs=6)


def test_late_reports_are_not_a_slow_clock():
    found = correct_clocks(reports(usual(), late={f"U{k:02}": k % 7 for k in range(24)}), Settings())
    assert found["clock_offset_minutes"].abs().max() == 0


def test_no_report_occurred_after_it_was_received():
    found = correct_clocks(reports(usual() | {"ODD": 8.0}), Settings())
    assert (found["occurred_at"] <= found["received_at"]).all()


def test_nothing_is_corrected_below_the_countys_limit():
    found = correct_clocks(reports(usual() | {"ODD": 14.0}), Settings({"clocks.correct_above_minutes": 240.0}))
    assert found["clock_offset_minutes"].abs().max() == 0


def test_one_unit_alone_is_corrected_only_when_far_off():
    assert offset_of(correct_clocks(reports({"U00": 2.0}), Settings()), "U00") == 0
    assert offset_of(correct_clocks(reports({"U00": -60.0}), Settings()), "U00") == -60


def test_the_order_of_rows_does_not_matter():
    rows = reports(usual() | {"ODD": 14.0})
    keys = ["unit_id", "sequence"]
    mixed = correct_clocks(rows.sample(fraction=1.0, shuffle=True, seed=5), Settings()).sort(keys)
    assert mixed.equals(correct_clocks(rows, Settings()).sort(keys))


def test_no_reports_is_an_empty_answer():
    assert correct_clocks(reports({}), Settings()).height == 0
