"""What earlier elections carry over: discounted, to the right unit."""

import polars as pl
import pytest

from pipeline.contracts import events
from pipeline.estimates.failures import prior, repeats

UNITS = {f"U{i:02}": (600 + 10 * i, i % 2) for i in range(30)}


def election(gear, day, counts, serials=None):
    """An election's record: ballots and misfeeds by unit."""
    units = [gear.unit(u, serial=(serials or {}).get(u)) for u in counts]
    status = [gear.report(u, 5, 1, ballots_counted=n, misfeeds=m) for u, (n, m) in counts.items()]
    known = gear.known(units=units, status=status)
    usual = {"site_id": "S1", "at": gear.ago(5), "kind": "misfeed", "fault_class": "misfeed", "source": "status"}
    rows = [
        usual | {"unit_id": u, "ticket_ids": [], "probability": 1.0, "ballots": n / 2, "hours": 4.0}
        for u, (n, m) in counts.items()
        for _ in range(m)
    ]
    return known, day.filled(events.Faults, rows)


def test_last_elections_counts_come_in_at_half_their_weight_and_those_before_at_a_quarter(gear, day):
    known, faults = election(gear, day, UNITS | {"X": (600, 6)})
    record = repeats.record(known, faults)
    carried = prior.carried(known.units, [record, record], 0.5)
    (row,) = carried.filter(pl.col("unit_id") == "X").rows(named=True)
    due = record.filter(pl.col("unit_id") == "X")["expected_faults"][0]
    assert row["prior_faults"] == pytest.approx(6 * (0.5 + 0.25))
    assert row["prior_expected"] == pytest.approx(due * (0.5 + 0.25))


def test_the_posterior_is_the_gamma_with_both_elections_counts(gear, day):
    # Conjugacy (any textbook): gamma(a, a) and counts give gamma(a + n + n0/2, a + e + e0/2)
    before = repeats.record(*election(gear, day, UNITS | {"X": (600, 6)}))
    known, faults = election(gear, day, UNITS | {"X": (600, 3)})
    by_unit = repeats.units(repeats.ledger_of(known).exposures, repeats.record(known, faults, [before]))
    from pipeline.estimates.failures import rates

    row = rates.pooled(by_unit).filter(pl.col("unit_id") == "X").row(0, named=True)
    old = before.filter(pl.col("unit_id") == "X")["expected_faults"][0]
    mean = (row["shape"] + 3 + 3) / (row["shape"] + row["expected_faults"] + old / 2)
    assert row["rate_ratio_mean"] == pytest.approx(mean)


def test_a_unit_that_was_bad_twice_is_confirmed_where_one_day_only_watches(gear, day):
    day_one = election(gear, day, UNITS | {"X": (600, 6)})
    alone = repeats.repeats(*day_one).filter(pl.col("unit_id") == "X").row(0, named=True)
    known, faults = election(gear, day, UNITS | {"X": (600, 6)})
    both = (
        repeats.repeats(known, faults, [repeats.record(*day_one)]).filter(pl.col("unit_id") == "X").row(0, named=True)
    )
    assert both["q_value"] < alone["q_value"] and both["rate_ratio_low"] > alone["rate_ratio_low"]
    assert both["prior_faults"] == 3.0 and "earlier elections add 3" in both["basis"]


def test_the_same_id_with_another_serial_is_another_unit(gear, day):
    record = repeats.record(*election(gear, day, UNITS | {"X": (600, 6)}, {"X": "111"}))
    known, _ = election(gear, day, UNITS | {"X": (600, 0), "Y": (600, 0)}, {"X": "222", "Y": "111"})
    carried = prior.carried(known.units, [record], 0.5).filter(pl.col("prior_faults") > 2)
    assert carried["unit_id"].to_list() == ["Y"]


def test_without_earlier_elections_nothing_is_carried(gear, day):
    known, _ = election(gear, day, UNITS)
    assert prior.carried(known.units, [], 0.5).height == 0
