"""Repeat failures: pooled, never by the raw rate, with few false discoveries."""

import numpy as np
import polars as pl
import pytest

from pipeline.contracts import estimates, events
from pipeline.estimates.failures import repeats


def fleet(gear, day, counts: dict[str, tuple[int, int]], **more):
    """Ballots read and misfeeds of each scanner, told by its last report."""
    units = [gear.unit(unit_id) for unit_id in counts]
    status = [gear.report(u, 5, 1, ballots_counted=n, misfeeds=m) for u, (n, m) in counts.items()]
    known = gear.known(units=units + more.pop("extra", []), status=status)
    rows = [
        {"unit_id": u, "site_id": "S1", "at": gear.ago(5), "kind": "misfeed", "source": "status", "ticket_ids": []}
        for u, (_, m) in counts.items()
        for _ in range(m)
    ]
    frame = repeats.repeats(known, day.filled(events.Faults, rows))
    estimates.Repeats.validate(frame)
    return {row["unit_id"]: row for row in frame.iter_rows(named=True)}


USUAL = {f"U{i:02}": (600 + 10 * i, i % 2) for i in range(30)}


def test_a_unit_that_misfeeds_eight_times_as_often_is_confirmed_and_ranks_first(gear, day):
    found = fleet(gear, day, USUAL | {"X": (600, 9)})
    assert (found["X"]["rank"], found["X"]["standing"]) == (1, "confirmed")
    assert found["X"]["rate_ratio_low"] > 2
    assert found["X"]["exposure_ballots"] == 600


def test_one_misfeed_in_few_ballots_is_chance_whatever_its_raw_rate(gear, day):
    # Raw rate of one in ten, a hundred times the fleet's; the pooled estimate is not impressed
    found = fleet(gear, day, USUAL | {"X": (10, 1), "Y": (900, 6)})
    assert found["X"]["standing"] == "ordinary"
    assert found["Y"]["rank"] < found["X"]["rank"]


def test_a_fleet_alike_has_no_outliers(gear, day):
    found = fleet(gear, day, USUAL)
    assert {row["standing"] for row in found.values()} == {"ordinary"}
    assert sorted(row["rank"] for row in found.values()) == list(range(1, 31))


def test_what_is_expected_adds_up_to_what_happened(gear, day):
    found = fleet(gear, day, USUAL | {"X": (600, 9)})
    assert sum(row["expected_faults"] for row in found.values()) == pytest.approx(15 + 9)


def test_a_unit_without_a_counter_is_judged_by_hours(gear, day):
    found = fleet(gear, day, USUAL, extra=[gear.unit("P1", kind="electronic-poll-book"), gear.unit("D1", None)])
    assert found["P1"]["exposure_ballots"] is None
    assert found["P1"]["exposure_hours"] == pytest.approx(5.0)
    assert found["D1"]["exposure_hours"] == 0.0
    assert found["P1"]["standing"] == "ordinary"


def test_before_opening_nothing_is_nan(gear, day):
    known = gear.known(at=gear.ago(600), units=[gear.unit("U1"), gear.unit("U2", None)])
    frame = repeats.repeats(known, day.filled(events.Faults, []))
    estimates.Repeats.validate(frame)
    assert frame.select(pl.col(pl.Float64).is_nan().any()).row(0).count(True) == 0


def test_no_units_give_no_rows(gear, day):
    assert repeats.repeats(gear.known(), day.filled(events.Faults, [])).height == 0


def test_false_discoveries_among_the_confirmed_stay_below_the_setting():
    # 300 simulated fleets of 80 scanners: usual units vary (sd 0.4 of the logarithm), 5 % fail 5 to 10 times as often
    rng = np.random.default_rng(17)
    wrong = right = missed = 0
    for _ in range(300):
        ballots = rng.uniform(300, 1200, 80)
        bad = rng.random(80) < 0.05
        ratio = np.where(bad, rng.uniform(5, 10, 80), np.exp(0.4 * rng.standard_normal(80)))
        n = rng.poisson(0.0018 * ballots * ratio)
        frame = pl.DataFrame(
            {
                "unit_id": [f"U{i:02}" for i in range(80)],
                "type": ["scan-single"] * 80,
                "faults": n,
                "expected_faults": ballots * n.sum() / ballots.sum(),
            }
        )
        judged = repeats.judged(repeats.pooled(frame), 0.1, 0.5).sort("unit_id")
        confirmed = (judged["standing"] == "confirmed").to_numpy()
        wrong, right, missed = (
            wrong + (confirmed & ~bad).sum(),
            right + (confirmed & bad).sum(),
            missed + (~confirmed & bad).sum(),
        )
    assert wrong / (wrong + right) <= 0.1
    assert right / (right + missed) > 0.4  # one day misses many bad units
