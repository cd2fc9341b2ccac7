"""Repeat failures: pooled, never by the raw rate, with few false discoveries."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.contracts import estimates, events
from pipeline.estimates.failures import faults, rates, repeats


def fleet_rows(gear, counts: dict[str, tuple[int, int]], extra=()):
    """Ballots read and misfeeds of each scanner, told by its last report; the same as faults."""
    units = [gear.unit(unit_id) for unit_id in counts]
    status = [gear.report(u, 5, 1, ballots_counted=n, misfeeds=m) for u, (n, m) in counts.items()]
    known = gear.known(units=units + list(extra), status=status)
    rows = [
        {"unit_id": u, "site_id": "S1", "at": gear.ago(5), "kind": "misfeed", "source": "status", "ticket_ids": []}
        | {"fault_class": "misfeed", "probability": 1.0, "ballots": n / 2, "hours": 4.0}
        for u, (n, m) in counts.items()
        for _ in range(m)
    ]
    return known, rows


def fleet_frame(gear, day, counts, extra=()):
    known, rows = fleet_rows(gear, counts, extra)
    frame = repeats.repeats(known, day.filled(events.Faults, rows))
    estimates.Repeats.validate(frame)
    return frame


def fleet(gear, day, counts, extra=()):
    return {row["unit_id"]: row for row in fleet_frame(gear, day, counts, extra).iter_rows(named=True)}


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
    # 500 simulated fleets of 80 scanners: usual units vary (sd 0.4 of the logarithm), 5 % fail 5 to 10 times as often.
    # Benjamini and Hochberg (1995) bound the mean share of false discoveries by 0.10; noise: three standard errors.
    rng = np.random.default_rng(17)
    shares, right, bad_units = [], 0, 0
    for _ in range(500):
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
        confirmed = (repeats.judged(rates.pooled(frame), 0.1, 0.5)["standing"] == "confirmed").to_numpy()
        shares.append((confirmed & ~bad).sum() / max(1, confirmed.sum()))
        right, bad_units = right + (confirmed & bad).sum(), bad_units + bad.sum()
    assert np.mean(shares) <= 0.1 + 3 * np.std(shares) / np.sqrt(500)
    assert right / bad_units > 0.4  # one day misses many bad units


def test_a_fleet_of_equal_units_has_few_confirmed():
    # 200 fleets in which every unit fails alike: any discovery is false, so at most one fleet in ten has one
    rng = np.random.default_rng(23)
    with_one = 0
    for _ in range(200):
        due = rng.uniform(0.5, 2.5, 80)
        n = rng.poisson(due)
        frame = pl.DataFrame(
            {
                "unit_id": [f"U{i:02}" for i in range(80)],
                "type": ["scan-single"] * 80,
                "faults": n,
                "expected_faults": due,
            }
        )
        with_one += (repeats.judged(rates.pooled(frame), 0.1, 0.5)["standing"] == "confirmed").any()
    assert with_one / 200 <= 0.1


def test_the_chance_to_be_found_is_what_a_simulation_finds(gear, day):
    # 40,000 units of one fleet, five times as bad: the share whose count is confirmed, at the same level and shape
    due, shape, level, watch = 1.6, 1.5, 0.1 / 80, 0.5
    told = repeats.found_at(np.array([due]), shape, level, watch)[0]
    n = np.random.default_rng(4).poisson(5 * due, 40_000)
    sure = (stats.poisson.sf(n - 1, due) <= level) & (n >= 2)
    over = stats.gamma.sf(3, shape + n, scale=1 / (shape + due)) > watch
    assert told == pytest.approx((sure & over).mean(), abs=0.01)


def test_the_caution_gives_the_days_own_figure(gear, day):
    known = gear.known(units=[gear.unit(u) for u in USUAL], status=[])
    assert "No unit has been at work" in repeats.caution(repeats.repeats(known, day.filled(events.Faults, [])))
    frame = fleet_frame(gear, day, USUAL | {"X": (600, 9)})
    said = repeats.caution(frame)
    share = 100 * frame["chance_found"].mean()
    assert f"{share:.0f} % of those that count their ballots" in said and "One day misses most bad units" in said


def test_classes_of_fault_are_judged_each_against_its_own_fleet(gear, day):
    known, rows = fleet_rows(gear, USUAL | {"X": (600, 9)})
    found = repeats.kinds(known, repeats.record(known, day.filled(events.Faults, rows)))
    estimates.Kinds.validate(found)
    first = found.row(0, named=True)
    assert (first["unit_id"], first["fault_class"], first["standing"]) == ("X", "misfeed", "confirmed")
    assert found.filter(pl.col("faults") == 0).height == 0


def test_a_fault_of_half_a_chance_counts_half(gear, day):
    known, rows = fleet_rows(gear, USUAL)
    halves = [row | {"probability": 0.5} for row in rows]
    frame = repeats.repeats(known, day.filled(events.Faults, halves))
    assert frame["faults_weighed"].sum() == pytest.approx(len(rows) / 2)
    assert frame["expected_faults"].sum() == pytest.approx(len(rows) / 2)


def test_three_tickets_about_one_fault_never_change_a_standing(gear, day):
    # The same counters with and without three calls about the one jam that they show
    status = [
        gear.report("U1", 60, 1, ballots_counted=300, jams=0),
        gear.report("U1", 50, 2, ballots_counted=340, jams=1),
    ]
    status += [gear.report(u, 50, 1, ballots_counted=n, misfeeds=m) for u, (n, m) in USUAL.items() if u != "U1"]
    units = [gear.unit("U1"), *[gear.unit(u) for u in USUAL]]
    calls = [
        day.ticket(f"T{i}", "S1", "scanner-jam", unit_id="U1", opened_at=gear.ago(51 - i), is_no_line=False)
        for i in range(3)
    ]
    frames = []
    for tickets in ([], calls):
        known = gear.known(units=units, status=status, tickets=tickets)
        found = faults.faults(known, gear.readings(tickets))
        frames.append(repeats.repeats(known, found).select("unit_id", "faults", "rank", "standing", "q_value"))
    assert frames[0].equals(frames[1])
