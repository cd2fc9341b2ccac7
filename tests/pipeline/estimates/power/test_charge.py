"""State of charge against worked examples, and coverage of the time to empty by simulation."""

import numpy as np
import polars as pl
import pytest

from pipeline.estimates.power import batteries, charge, learnt
from pipeline.estimates.power.charge import Discharge
from pipeline.settings import Settings


def test_charge_after_off_on_off():
    # Worked by hand from s <- clip(s - t_off / R + t_on / T_c, 0, 1): R 120, T_c 240, off 30, on 30, off 60: s 0.375, so 45 minutes are left
    s = 1.0
    for spell in (-30, 30, -60):
        s = float(charge.charge_after(s, spell, 120, 240))
    assert s == pytest.approx(0.375)
    assert s * 120 == pytest.approx(45)


def test_charge_never_leaves_nought_to_one_and_the_dark_minutes_add_up():
    # By hand from the same rule: R 60, T_c 300: off 90 (30 dark), on 60 (charge 0.2, 12 min), off 30 (18 dark): 48 in all
    s, dark = 1.0, 0.0
    for spell in (-90, 60, -30):
        dark += max(0.0, -spell - s * 60) if spell < 0 else 0.0
        s = float(charge.charge_after(s, spell, 60, 300))
    assert s == 0.0
    assert dark == pytest.approx(48)


def test_run_time_of_an_aged_battery_under_load():
    # 120 * 0.8 / 1.19 / 1.5^1.15: 0.8 for its age, load 1.19 times, and a Peukert-like exponent of 1.15
    assert float(batteries.derated_minutes(120, 0.8 / 1.19, 1.5, 1.15)) == pytest.approx(50.60801738, abs=1e-8)


def test_peukerts_law():
    # Peukert's law, t = H (C / (I H))^k: 7 Ah at the 20 h rate, 3.5 A, k 1.2
    assert batteries.peukert_minutes(7, 20, 3.5, 1.2) == pytest.approx(75.71488, abs=1e-5)


def made(age=60.0, level=1.0, rate=1 / 200, level_sd=0.03, rate_sd=0.0004, alive=0.0) -> Discharge:
    one = np.ones(1)
    variances = (level_sd**2 * one, rate_sd**2 * one, 0 * one)
    return Discharge(age * one, level * one, rate * one, *variances, alive * one, 0 * one)


def test_time_to_empty_has_the_middle_of_the_line_and_ordered_limits():
    d = made()
    low, middle, high = (float(d.quantile(q)[0]) for q in (0.05, 0.5, 0.95))
    assert low < middle < high
    assert middle == pytest.approx(140, abs=1.0)  # 200 minutes in all, 60 gone


def test_time_to_empty_agrees_with_a_simulation():
    rng = np.random.default_rng(2)
    draws = (1 + 0.03 * rng.standard_normal(200_000)) / (1 / 200 + 0.0004 * rng.standard_normal(200_000)) - 60
    d = made()
    for q in (0.05, 0.5, 0.95):
        assert float(d.quantile(q)[0]) == pytest.approx(np.quantile(draws, q), abs=0.6)


def test_a_unit_that_reports_from_its_battery_is_not_empty_yet():
    d = made(age=230.0, alive=229.0)
    assert float(d.empty_by(np.zeros((1, 1)))[0, 0]) < 0.2
    assert float(made(age=230.0).empty_by(np.zeros((1, 1)))[0, 0]) > 0.9


def test_many_units_are_emptied_as_each_alone():
    ages = np.linspace(1.0, 230.0, 250)
    each = [made(age=age, alive=age / 2) for age in ages]
    names = ("age", "level", "rate", "level_var", "rate_var", "covariance", "alive_at", "rise")
    every = Discharge(**{name: np.concatenate([getattr(one, name) for one in each]) for name in names})
    ahead = np.array([0.0, 30.0, 90.0])
    alone = np.concatenate([one.empty_by(ahead[None, :]) for one in each])
    assert every.empty_by(ahead[None, :]) == pytest.approx(alone, abs=1e-14)
    own = ages[:, None] / 10  # a moment of its own for each
    assert every.empty_by(own)[:, 0] == pytest.approx(
        [float(one.empty_by(own[i : i + 1])[0, 0]) for i, one in enumerate(each)], abs=1e-14
    )


def test_whole_percentages_read_off_a_table_are_those_of_the_gauge():
    s = Settings({})
    whole, uneven = np.array([100.0, 5.0, 0.0, 63.0, 104.0]), np.array([99.5, 5.0, 63.25])
    assert batteries.gauges(whole, s) == pytest.approx(batteries.gauge(whole, s), abs=1e-15)
    assert batteries.gauges(uneven, s) == pytest.approx(batteries.gauge(uneven, s), abs=1e-15)
    assert len(batteries.gauges(np.zeros(0), s)) == 0


def percentages(gear, unit_id, run, start_ago, rng, until=15.0):
    w = np.arange(5, start_ago - until, 10.0)
    noisy = np.clip(100 * (1 - w / run) + rng.normal(0, 2.5, len(w)), 0, 100).round()
    return [
        gear.report(unit_id, start_ago - t, i + 1, power="battery", battery_percent=float(p))
        for i, (t, p) in enumerate(zip(w, noisy, strict=True))
    ]


def test_ninety_percent_intervals_cover_the_true_time_to_empty(gear):
    # Simulated batteries drawn from the prior, percentages noisy and rounded; 90 % within three standard errors
    rng, many = np.random.default_rng(8), 300
    units = [gear.unit(f"U{i:03}", battery_age_years=float(rng.uniform(0, 6))) for i in range(many)]
    spread = 0.06  # power.capacity_spread
    run = np.array([240 * 0.95 * np.exp(-0.055 * u["battery_age_years"] + spread * rng.normal()) for u in units])
    ago = rng.uniform(30, 90, many)
    reports = [gear.report(u["unit_id"], a + 3, 0, battery_percent=100.0) for u, a in zip(units, ago, strict=True)]
    for u, r, a in zip(units, run, ago, strict=True):
        reports += percentages(gear, u["unit_id"], r, a, rng)
    known = gear.known(units=units, status=reports)
    off = pl.DataFrame(
        {"unit_id": [u["unit_id"] for u in units], "site_id": ["S1"] * many, "outage_since": [gear.ago(a) for a in ago]}
    ).with_columns(pl.col("outage_since").dt.cast_time_unit("us"))
    d = charge.discharges(known, off, learnt.learnt_fleet(known))
    truth = run - ago
    covered = ((d.quantile(0.05) <= truth) & (truth <= d.quantile(0.95))).mean()
    assert 0.85 <= covered <= 0.97


def test_reports_narrow_the_time_to_empty_to_less_than_half_of_what_rated_minutes_say(gear):
    rng = np.random.default_rng(4)
    units = [gear.unit("U1"), gear.unit("U2")]
    reports = percentages(gear, "U1", 190.0, 120.0, rng)
    since = pl.Series([gear.ago(120)] * 2).dt.cast_time_unit("us")
    off = pl.DataFrame({"unit_id": ["U1", "U2"], "site_id": ["S1", "S1"], "outage_since": since})
    known = gear.known(units=units, status=reports)
    d = charge.discharges(known, off, learnt.learnt_fleet(known))
    width = d.quantile(0.95) - d.quantile(0.05)
    assert width[0] < width[1] / 2


def test_a_county_whose_batteries_are_weaker_than_the_setting_is_noticed(gear):
    # Ten units that lose charge at 0.7 of the expected run time; an eleventh does not report at all
    rng = np.random.default_rng(6)
    units = [gear.unit(f"U{i:02}") for i in range(11)]
    expected = 240 * 0.95 * np.exp(-0.055 * 2)
    reports = [row for u in units[:10] for row in percentages(gear, u["unit_id"], 0.7 * expected, 100.0, rng)]
    known = gear.known(units=units, status=reports)
    fleet = learnt.learnt_fleet(known)
    _, shift, _ = fleet.of(known.units, 2026, known.settings)
    assert np.log(0.7) < shift[10] < np.log(0.7) * 0.5
    assert fleet.spread >= known.settings["power.capacity_spread"]


def test_a_charge_that_a_charger_cuts_off_at_full_has_the_moments_of_a_simulation():
    rng = np.random.default_rng(2)
    for mean, sd in ((0.9, 0.03), (1.0, 0.05), (1.3, 0.1)):
        cut = np.minimum(rng.normal(mean, sd, 400_000), 1.0)
        level, variance = charge.never_over_full(np.array([mean]), np.array([sd**2]))
        assert level[0] == pytest.approx(cut.mean(), abs=3e-4)
        assert np.sqrt(variance[0]) == pytest.approx(cut.std(), abs=3e-4)


def scattered(gear, sd):
    rng, start = np.random.default_rng(12), 120.0
    units = [gear.unit(f"U{i:02}") for i in range(12)]
    w = np.arange(25, 115, 10.0)
    reports = [
        gear.report(u["unit_id"], start - t, i, power="battery", battery_percent=float(p))
        for u in units
        for i, (t, p) in enumerate(zip(w, 100 * (1 - w / 200) + rng.normal(0, sd, len(w)), strict=True))
    ]
    return learnt.learnt_fleet(gear.known(units=units, status=reports, settings={"power.gauge_exponent": 1.0}))


def test_the_error_of_percentages_is_learnt_from_their_scatter_and_never_less_than_their_rounding(gear):
    # Residuals about least-squares lines, 84 degrees of freedom against a setting of 1.5 % that weighs 20
    noisy, quiet = (np.sqrt(scattered(gear, sd).noise) for sd in (4.0, 0.0))
    assert noisy == pytest.approx(np.sqrt((20 * 1.5**2 + 84 * 4.0**2) / 104) / 100, rel=0.15)
    assert np.sqrt(1 / 12) / 100 < quiet < 0.01


def test_a_battery_far_down_is_known_better_than_one_that_has_just_begun(gear):
    def width(minutes):
        rows = percentages(gear, "U1", 190.0, minutes, np.random.default_rng(4), until=0.0)[-2:]
        since = pl.Series([gear.ago(minutes)]).dt.cast_time_unit("us")
        off = pl.DataFrame({"unit_id": ["U1"], "site_id": ["S1"], "outage_since": since})
        known = gear.known(units=[gear.unit("U1")], status=rows)
        d = charge.discharges(known, off, learnt.learnt_fleet(known))
        return float((d.quantile(0.95) - d.quantile(0.05))[0])

    assert width(150.0) < width(30.0) * 0.7
