"""Grades against closed forms, an independent integration and examples worked by hand."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats
from scipy.integrate import quad

from pipeline.contracts.asked import Grades, Reliability
from pipeline.estimates.lines import grading, references

T = datetime(2026, 11, 3, 18, tzinfo=UTC)


def crps(middle: float, low: float, high: float, seen: float) -> float:
    return float(grading.crps_two_piece(*(np.array([x]) for x in (middle, low, high, seen)))[0])


@pytest.mark.parametrize(("mean", "sd", "seen"), [(0, 1, 0), (0, 1, 1.7), (12, 5, 3), (40, 9, 71)])
def test_the_crps_of_a_normal_is_its_closed_form(mean, sd, seen):
    # Gneiting & Raftery (2007), eq. 21: sd (z (2 Phi(z) - 1) + 2 phi(z) - 1 / sqrt(pi))
    z = (seen - mean) / sd
    closed = sd * (z * (2 * stats.norm.cdf(z) - 1) + 2 * stats.norm.pdf(z) - 1 / np.sqrt(np.pi))
    reach = grading.Z90 * sd
    assert crps(mean, mean - reach, mean + reach, seen) == pytest.approx(closed, rel=1e-9)


@pytest.mark.parametrize("seen", [-4.0, 1.0, 3.0, 15.0])
def test_the_crps_of_two_halves_is_the_integral_that_defines_it(seen):
    # The definition: integral of (F(x) - 1{x >= seen})^2, with F of two half-normals (sd 2 below, 5 above the median 3)
    def distribution(x: float) -> float:
        return float(stats.norm.cdf((x - 3) / (2 if x < 3 else 5)))

    below = quad(lambda x: distribution(x) ** 2, -60, seen, points=[3] if seen > 3 else None, limit=200)[0]
    above = quad(lambda x: (1 - distribution(x)) ** 2, seen, 90, points=[3] if seen < 3 else None, limit=200)[0]
    assert crps(3, 3 - 2 * grading.Z90, 3 + 5 * grading.Z90, seen) == pytest.approx(below + above, rel=1e-6)


def test_the_crps_of_a_point_is_its_absolute_error():
    # Gneiting & Raftery (2007), section 4.2
    assert crps(7, 7, 7, 19) == pytest.approx(12)


def test_the_brier_scores_terms_are_those_worked_by_hand():
    # Ten forecasts: .2 five times (1 of 5 came true), .7 five times (3 of 5). By hand: brier = (4 x .04 + .64 + 3 x .09 +
    # 2 x .49) / 10 = .205; reliability = .5 x 0 + .5 x .01 = .005; base rate .4: resolution = .5 x .04 + .5 x .04 = .04;
    # uncertainty = .24; .005 - .04 + .24 = .205 (Murphy 1973)
    chance = np.array([0.2] * 5 + [0.7] * 5)
    happened = np.array([1, 0, 0, 0, 0, 1, 1, 1, 0, 0], bool)
    found = grading.murphy(chance, happened)
    assert found["brier"] == pytest.approx(0.205)
    assert found["reliability"] == pytest.approx(0.005)
    assert found["resolution"] == pytest.approx(0.04)
    assert found["uncertainty"] == pytest.approx(0.24)
    assert found["within"] == pytest.approx(0, abs=1e-12)
    assert found["brier_skill"] == pytest.approx(1 - 0.205 / 0.24)


@pytest.mark.parametrize("bins", [1, 4, 10, 33])
def test_the_terms_add_up_to_the_brier_score_whatever_the_bins(bins):
    # Stephenson, Coelho & Jolliffe (2008): the within-bin terms close the sum exactly
    rng = np.random.default_rng(5)
    chance = rng.beta(0.5, 2, 500)
    happened = rng.random(500) < chance**1.3
    found = grading.murphy(chance, happened, bins)
    total = found["reliability"] - found["resolution"] + found["uncertainty"] + found["within"]
    assert total == pytest.approx(found["brier"], abs=1e-12)
    assert found["brier"] == pytest.approx(np.mean((chance - happened) ** 2))


def test_a_forecaster_who_is_right_about_chances_has_no_reliability_term():
    rng = np.random.default_rng(6)
    chance = rng.choice(np.linspace(0.05, 0.95, 10), 100_000)
    found = grading.murphy(chance, rng.random(len(chance)) < chance)
    assert found["reliability"] < 2e-4
    assert found["resolution"] == pytest.approx(np.var(np.linspace(0.05, 0.95, 10)), rel=0.03)


def test_without_a_wait_over_half_an_hour_there_is_no_skill_to_speak_of():
    found = grading.murphy(np.array([0.1, 0.0]), np.array([False, False]))
    assert found["brier_skill"] is None and found["brier"] == pytest.approx(0.005)
    assert set(grading.murphy(np.array([]), np.array([], bool)).values()) == {None}


def rows(**columns) -> pl.DataFrame:
    number = len(columns["waiting"])
    usual = {"line": ["checkin"] * number, "wait_minutes": [None] * number} | columns
    flags = {name: [False] * number for name in ("is_long", "is_stopped", "is_silent") if name not in columns}
    frame = pl.DataFrame(usual | flags, schema_overrides={"wait_minutes": pl.Float64, "waiting": pl.Float64})
    others = [f"{who}.{name}" for who in grading.FORECASTERS for name in grading.NUMBERS]
    return frame.with_columns(pl.lit(None, pl.Float64).alias(name) for name in others if name not in frame.columns)


def ours(**figures) -> dict:
    return {f"wardbook.{name}": values for name, values in figures.items()}


SAID = ours(
    waiting_mean=[10.0, 22.0, 0.0, None], waiting_median=[8.0, 20.0, 0.0, None], waiting_low=[2.0, 12.0, 0.0, None],
    waiting_high=[20.0, 30.0, 0.0, None], wait_minutes_median=[5.0, 25.0, 0.0, None],
    chance_over_30=[0.1, 0.4, 0.0, None],
)  # fmt: skip


def test_errors_and_coverage_are_those_of_four_rows_worked_by_hand():
    # counts 5, 31, 0 and one without an estimate: |8-5|, |20-31|, 0; mean's squares 25, 81, 0; 31 lies past 30.5, 0.4 off
    found = grading.grades(rows(waiting=[5, 31, 0, 9], **SAID))
    Grades.validate(found)
    row = found.filter((pl.col("group") == "all") & (pl.col("forecaster") == "wardbook")).row(0, named=True)
    assert (row["counts"], row["missing"], row["timed"]) == (4, 1, 0)
    assert row["mae"] == pytest.approx((3 + 11 + 0) / 3)
    assert row["bias"] == pytest.approx((3 - 11 + 0) / 3) and row["bias_mean"] == pytest.approx((5 - 9 + 0) / 3)
    assert row["rmse"] == pytest.approx(np.sqrt((25 + 81 + 0) / 3))
    assert row["coverage"] == pytest.approx(2 / 3) and row["width"] == pytest.approx((18 + 18 + 0) / 3)
    assert row["brier"] is None


def test_a_half_person_is_given_on_either_side():
    found = grading.grade(rows(waiting=[20.5, 30.5, 0.5, 1], **SAID), "wardbook")
    assert found["coverage"] == 1


def test_groups_hold_their_own_rows():
    frame = rows(
        waiting=[5, 31, 0, 9], is_long=[False, True, False, False], is_silent=[True, True, False, False], **SAID
    )
    counts = grading.grades(frame).filter((pl.col("forecaster") == "wardbook") & (pl.col("line") == "checkin"))
    assert dict(counts.select("group", "counts").iter_rows()) == {
        "all": 4, "long lines": 1, "stopped units": 0, "no telemetry": 2,
    }  # fmt: skip


def test_the_reliability_diagram_counts_every_timed_chance_once():
    frame = rows(waiting=[5, 31, 0, 9], wait_minutes=[4.0, 45.0, 0.0, 3.0], **SAID)
    found = grading.reliability(frame)
    Reliability.validate(found)
    assert found["rows"].sum() == 3
    assert found.filter(pl.col("bin_low") == 0.4).row(0, named=True)["over_30_share"] == 1


def test_the_last_count_received_is_carried_forward_and_the_roster_fills_the_rest(gear):
    late = {"site_id": "S1", "at": gear.ago(5), "checkin_line": 60.0, "scanner_line": None, "received_at": gear.at}
    before = late | {"at": gear.ago(90), "checkin_line": 12.0, "scanner_line": 3.0}
    known = gear.known(line_counts=[late, before])
    roster = references.roster_only(known, [gear.at])
    assert roster.height == 4
    found = references.last_counts(known, roster, gear.at)
    carried = {(s, line): value for s, line, value in found.select("site_id", "line", "waiting_mean").iter_rows()}
    prior = {(s, line): value for s, line, value in roster.select("site_id", "line", "waiting_median").iter_rows()}
    assert carried == {("S1", "checkin"): 60.0, ("S1", "scanner"): 3.0,
                       ("S2", "checkin"): prior["S2", "checkin"], ("S2", "scanner"): prior["S2", "scanner"]}  # fmt: skip
    # 60 people at three stations of 1.45 min each wait 29 minutes
    wait = found.filter((pl.col("site_id") == "S1") & (pl.col("line") == "checkin")).row(0, named=True)
    assert wait["wait_minutes_median"] == pytest.approx(60 * known.settings["lines.checkin_minutes"] / 3)


def test_the_roster_alone_knows_nothing_of_the_day(gear):
    count = {"site_id": "S1", "at": gear.ago(5), "checkin_line": 90.0, "received_at": gear.at}
    told, bare = gear.known(line_counts=[count]), gear.known()
    assert references.roster_only(told, [gear.at]).equals(references.roster_only(bare, [gear.at]))


def test_a_count_belongs_to_the_nearest_time_asked_for_if_near_enough():
    counts = pl.DataFrame(
        {"site_id": ["S1"] * 4, "line": ["checkin"] * 4, "waiting": [1.0, 2.0, 3.0, 4.0],
         "at": [T - timedelta(minutes=2), T + timedelta(minutes=1), T + timedelta(minutes=9), T + timedelta(minutes=29)]},
        schema_overrides={"at": pl.Datetime("us", "UTC")},
    )  # fmt: skip
    found = references.matched(counts, [T, T + timedelta(minutes=30)], timedelta(minutes=2))
    assert found["waiting"].to_list() == [2.0, 4.0]
    assert found["stamp"].to_list() == [T, T + timedelta(minutes=30)]


def test_a_count_within_the_hour_after_a_stop_belongs_to_it():
    known = type("K", (), {"units": pl.DataFrame({"unit_id": ["U1"], "site_id": ["S2"]}),
                           "status": pl.DataFrame({"unit_id": ["U1"]})})  # fmt: skip
    moments = {name: pl.Datetime("us", "UTC") for name in ("stamp", "started_at", "ended_at")}
    frame = pl.DataFrame(
        {"site_id": ["S1"] * 3 + ["S2"], "line": ["scanner"] * 4, "waiting": [0.0, 40.0, 1.0, 1.0],
         "stamp": [T - timedelta(minutes=1), T + timedelta(minutes=59), T + timedelta(minutes=75), T]},
        schema_overrides=moments,
    )  # fmt: skip
    stops = pl.DataFrame(
        {"site_id": ["S1"], "line": ["scanner"], "started_at": [T], "ended_at": [T + timedelta(minutes=10)]},
        schema_overrides=moments,
    )
    found = references.grouped(frame, known, stops)
    assert found["is_stopped"].to_list() == [False, True, False, False]
    assert found["is_long"].to_list() == [False, True, False, False]
    assert found["is_silent"].to_list() == [True, True, True, False]


def test_regular_times_stand_on_whole_multiples():
    found = references.regular(T + timedelta(minutes=7), T + timedelta(minutes=95), 30)
    assert found == [T + timedelta(minutes=30), T + timedelta(minutes=60), T + timedelta(minutes=90)]
