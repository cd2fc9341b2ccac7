"""Supply states and exposure: worked examples, evidence, bad input."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.contracts import estimates, events
from pipeline.estimates.power import circuits, learnt, power, supply
from pipeline.estimates.power.outages import Length
from pipeline.estimates.power.stakes import integrals


def states(gear, notes=(), readings=(), **rows):
    _, frame = judge(gear.known(**rows), gear.readings(readings), gear.notes(notes))
    return {row["unit_id"]: row for row in frame.iter_rows(named=True)}, frame


def judge(known, readings, notes):
    judged = power.judged(known, readings, notes, learnt.learnt_fleet(known))
    return judged, events.SupplyStates.validate(power.supply_states(known, judged, notes))


def answer(gear, notes=(), readings=(), loads=(), **rows):
    known, load = gear.known(**rows), gear.loads(loads)
    judged, frame = judge(known, gear.readings(readings), gear.notes(notes))
    found = power.power(known, frame, load, power.stakes(known, frame, load, judged))
    estimates.Power.validate(found)
    return {row["unit_id"]: row for row in found.iter_rows(named=True)}


def exact_grid(x: float, c: float, step: float = 0.01):
    """Minutes ahead with the moment of emptying twice, so that a known x is an exact step."""
    return np.concatenate([np.linspace(0, x, round(x / step) + 1), np.linspace(x, c, round((c - x) / step) + 1)])


def test_exposure_of_the_worked_exponential_outage():
    # Exponential outage, mean 100, x 45, c 165, in closed form: P = e^-.45 = 0.63762815, E[dark] = 100 (e^-.45 - e^-1.65)
    # = 44.55782430; with Q0 10 and 0.5 a minute, by parts, 1521.17000628 voter-minutes
    u = exact_grid(45.0, 165.0)
    lasts = np.exp(-u / 100)[None, :]
    gone = np.zeros_like(lasts)
    gone[0, np.flatnonzero(u == 45.0)[1] :] = 1.0
    one = np.ones(1)
    chance, dark, voters = integrals(u, lasts, gone, 165 * one, 10 * one, 0.5 * one)
    assert float(chance[0]) == pytest.approx(0.63762815, abs=1e-8)
    assert float(dark[0]) == pytest.approx(44.55782430, abs=1e-6)
    assert float(voters[0]) == pytest.approx(1521.17000628, abs=1e-4)


def test_exposure_of_a_lognormal_outage_agrees_with_a_simulation():
    # Emptying at a random time, an outage 60 min old: draws of both against the integrals
    rng, many = np.random.default_rng(1), 400_000
    length = Length(np.log(120), 1.0)
    lasting = rng.lognormal(length.mu, length.sigma, 4 * many)
    left = lasting[lasting > 60][:many] - 60
    empty = np.maximum(rng.normal(80, 15, len(left)), 0)
    off = np.minimum(left, 200) - empty
    u = np.linspace(0, 400, 4001)
    gone = stats.norm.cdf(u, 80, 15)[None, :]
    one = np.ones(1)
    chance, dark, _ = integrals(u, length.conditional(60, u)[None, :], gone, 200 * one, 0 * one, 0 * one)
    assert float(chance[0]) == pytest.approx((off > 0).mean(), abs=3e-3)
    assert float(dark[0]) == pytest.approx(np.maximum(off, 0).mean(), rel=1e-2)


def test_without_any_sign_of_trouble_a_unit_is_on_mains(gear):
    found, _ = states(gear, units=[gear.unit("U1"), gear.unit("U9", None)])
    assert {row["supply"] for row in found.values()} == {"mains"}
    assert "no sign of trouble" in found["U1"]["basis"]


def test_a_units_own_report_beats_its_circuit(gear):
    found, _ = states(
        gear,
        units=[gear.unit("U1"), gear.unit("U2", "S2")],
        outages=[gear.outage("K1", 60), gear.outage("K2", 60)],
        status=[gear.report("U1", 5)],
    )
    assert found["U1"]["supply"] == "mains"
    assert found["U2"]["supply"] == "battery"
    assert found["U2"]["outage_since"] == gear.ago(60)


def test_the_newest_word_wins(gear):
    rows = {"units": [gear.unit("U1")], "status": [gear.report("U1", 30, power="battery", battery_percent=95.0)]}
    found, _ = states(gear, outages=[gear.outage("K1", 50, restored_at=gear.ago(10))], **rows)
    assert found["U1"]["supply"] == "mains"
    found, _ = states(gear, outages=[gear.outage("K1", 50, restored_at=gear.ago(40))], **rows)
    assert found["U1"]["supply"] == "battery"


def note(gear, event, ago, site_id="S1", **more):
    usual = {"occurred_at": gear.ago(ago), "received_at": gear.ago(ago), "site_id": site_id, "event": event}
    return usual | {"text": "as written"} | more


@pytest.mark.parametrize(
    ("event", "supply"), [("lost", "battery"), ("restored", "mains"), ("generator", "mains"), ("flicker", "mains")]
)
def test_what_a_note_says_of_a_site(gear, event, supply):
    found, _ = states(gear, units=[gear.unit("U1"), gear.unit("U2", "S2")], notes=[note(gear, event, 20)])
    assert found["U1"]["supply"] == supply
    assert found["U2"]["supply"] == "mains"


def test_a_note_about_a_circuit_counts_for_its_sites(gear):
    found, _ = states(gear, units=[gear.unit("U1")], notes=[note(gear, "lost", 20, None, circuit="K1")])
    assert found["U1"]["supply"] == "battery"


def test_an_outage_is_shared_by_the_silent_units_of_a_place(gear):
    reports = [gear.report("U1", 25), gear.report("U1", 5, 1, power="battery", battery_percent=99.0)]
    found, _ = states(gear, units=[gear.unit("U1"), gear.unit("U2", kind="electronic-poll-book")], status=reports)
    assert found["U2"]["supply"] == "battery"
    assert found["U2"]["outage_since"] <= gear.ago(5)


def test_one_cord_pulled_is_not_an_outage_of_the_place(gear):
    reports = [gear.report("U1", 5, power="battery", battery_percent=80.0), gear.report("U2", 2), gear.report("U3", 3)]
    found, _ = states(gear, units=[gear.unit(f"U{i}") for i in (1, 2, 3, 4)], status=reports)
    assert [found[f"U{i}"]["supply"] for i in (1, 2, 3, 4)] == ["battery", "mains", "mains", "mains"]


def test_a_silent_unit_whose_charge_has_run_out_is_dark(gear):
    found = answer(
        gear, units=[gear.unit("U1"), gear.unit("U2", battery_minutes=2000.0)], outages=[gear.outage("K1", 300)]
    )
    assert found["U1"]["supply"] == "dark"
    assert found["U1"]["chance_dark"] == 1.0
    assert found["U1"]["empty_at_mean"] is None
    assert found["U1"]["expected_dark_minutes"] > 0
    assert found["U2"]["supply"] == "battery"


def chance_off(gear, ago, list_ago=None, percent=6.0):
    """Chance that a unit is still off that last reported so long ago, from its battery; of its circuit's list."""
    began = ago + 15
    listed = [] if list_ago is None else [gear.outage("K1", began, received_at=gear.ago(list_ago))]
    off = [gear.report("U1", at, 1, power="battery", battery_percent=percent) for at in (began, ago)]
    found, _ = states(gear, status=[gear.report("U1", began + 5), *off], outages=listed, units=[gear.unit("U1")])
    return found["U1"]["chance_off"]


def test_silence_of_a_unit_that_ran_from_its_battery_says_that_mains_is_still_off(gear):
    # By Bayes: it is silent for sure while off, with `BACK_SILENT` if mains came back over `REPORTING_MINUTES` ago
    known = gear.known()
    sure = supply.SURE["own"]
    length = circuits.lengths(known).of(pl.Series(["K1"]))

    def lasting(ahead):
        return float(length.conditional(15.0, ahead)[0])

    old = 1 - lasting(120 - power.REPORTING_MINUTES)
    expected = lasting(120) / (1 - old + old * power.BACK_SILENT)
    assert chance_off(gear, 120) == pytest.approx(sure * expected, abs=1e-6)
    assert chance_off(gear, 120) > sure * lasting(120) + 0.2
    assert chance_off(gear, 14) == pytest.approx(sure * lasting(14), abs=1e-6)  # not silent yet


def test_a_utility_that_still_lists_the_outage_says_that_it_has_not_ended(gear):
    without, stale, fresh = chance_off(gear, 120), chance_off(gear, 120, 110), chance_off(gear, 120, 5)
    assert without == pytest.approx(stale, abs=0.05)
    assert fresh > stale + 0.1


def test_the_factors_behind_a_run_time_are_shown_and_set(gear):
    # 240 min x 0.95 x exp(-0.055 * 4) = 183; with a temperature factor of 0.8, 146; sd sqrt(.06^2 + .04^2 + .02^2) = 7 %
    rows = {"units": [gear.unit("U1", battery_age_years=4.0)], "outages": [gear.outage("K1", 60)]}
    told = answer(gear, **rows)["U1"]["run_basis"]
    assert told == "rated 240 min × 0.95 new × 0.8 at 4.0 years × 1 temperature: about 183 min, one sd 7 %"
    cold = answer(gear, settings={"power.temperature_factor": 0.8}, **rows)["U1"]["run_basis"]
    assert "× 0.8 temperature: about 146 min" in cold


def test_the_rated_time_and_the_two_hours_of_the_standard_stand_beside_the_estimate(gear):
    # VVSG 2.0, 2.7-H: two hours; rated 4 h is common practice, no source
    row = answer(gear, units=[gear.unit("U1")], outages=[gear.outage("K1", 60)])["U1"]
    assert (row["empty_at_two_hours"], row["empty_at_rated"]) == (gear.ago(60 - 120), gear.ago(60 - 240))


def test_a_unit_that_still_reports_is_not_dark(gear):
    reports = [gear.report("U1", 3, power="battery", battery_percent=4.0)]
    found = answer(gear, units=[gear.unit("U1")], outages=[gear.outage("K1", 300)], status=reports)
    assert found["U1"]["supply"] == "battery"
    assert found["U1"]["chance_dark"] > 0.7


def test_on_mains_nothing_is_at_stake(gear):
    straight = {"power.gauge_exponent": 1.0}
    reports = [gear.report("U1", 3, battery_percent=70.0)]
    row = answer(gear, units=[gear.unit("U1")], status=reports, settings=straight)["U1"]
    assert (row["chance_dark"], row["expected_dark_minutes"], row["expected_voter_minutes"]) == (0, 0, 0)
    assert row["empty_at_low"] is None
    assert row["charge_mean"] == pytest.approx(0.70 + 3 / 300)


def test_mains_counts_from_the_first_report_that_says_so_again(gear):
    powers = ["mains", "battery", "mains", "mains"]
    status = [gear.report("U1", 40 - 10 * i, i, power=word) for i, word in enumerate(powers)]
    found, _ = states(gear, units=[gear.unit("U1")], status=status)
    assert (found["U1"]["supply"], found["U1"]["since"]) == ("mains", gear.ago(20))
    found, _ = states(gear, units=[gear.unit("U1")], status=status[:1])
    assert found["U1"]["since"] == gear.ago(40)


def test_two_scanners_going_dark_cost_the_line_once(gear, day):
    loads = [day.load("S1", scanner_waiting=20.0, arrivals_per_minute=2.0)]
    outage = [gear.outage("K1", 200)]
    alone = answer(gear, units=[gear.unit("U1")], outages=outage, loads=loads)
    both = answer(gear, units=[gear.unit("U1"), gear.unit("U2")], outages=outage, loads=loads)
    assert alone["U1"]["expected_voter_minutes"] > 0
    total = both["U1"]["expected_voter_minutes"] + both["U2"]["expected_voter_minutes"]
    assert total == pytest.approx(alone["U1"]["expected_voter_minutes"])


def test_every_unit_has_the_outage_and_the_promise_of_its_own_circuit(gear):
    units = [gear.unit("U1"), gear.unit("U2", "S2"), gear.unit("U3"), gear.unit("U4", "S2")]
    soon, late = ({"estimated_restoration_at": gear.ago(-60 * hours)} for hours in (1, 6))
    found = answer(gear, units=units, outages=[gear.outage("K1", 60, **soon), gear.outage("K2", 60, **late)])
    chances = [found[u]["chance_dark"] for u in ("U1", "U3", "U2", "U4")]
    assert chances[0] == chances[1] < chances[2] == chances[3]


def test_a_later_promise_means_more_dark_minutes(gear):
    def dark(hours):
        promise = {"estimated_restoration_at": gear.ago(-60 * hours)}
        return answer(gear, units=[gear.unit("U1")], outages=[gear.outage("K1", 60, **promise)])["U1"]

    assert dark(1)["expected_dark_minutes"] < dark(4)["expected_dark_minutes"]
    assert dark(4)["restoration_at"] == gear.ago(-240)


def test_a_long_promise_of_one_circuit_says_that_the_outages_of_the_day_are_long(gear):
    def lasting(given):
        promised = gear.outage("K2", 40, estimated_restoration_at=gear.ago(-given), received_at=gear.ago(5))
        off = [gear.report("U1", 20, 1, power="battery", battery_percent=90.0)]
        return answer(gear, status=off, outages=[promised], units=[gear.unit("U1")])["U1"]["chance_dark"]

    assert lasting(600) > lasting(60) + 0.02


def test_nothing_is_expected_after_the_scheduled_closing(gear, day):
    sites = [day.site("S1", circuit="K1", closes_at=gear.ago(30))]
    found = answer(gear, sites=sites, units=[gear.unit("U1")], outages=[gear.outage("K1", 60)])
    assert (found["U1"]["chance_dark"], found["U1"]["expected_dark_minutes"]) == (0, 0)


@pytest.mark.parametrize(
    "bad",
    [
        {"restored_at": "before"},
        {"estimated_restoration_at": "yesterday"},
        {"circuit": "nobody's"},
    ],
)
def test_an_odd_outage_still_gives_an_answer(gear, bad):
    times = {"before": gear.ago(120), "yesterday": gear.ago(1500)}
    row = gear.outage("K1", 60) | {key: times.get(value, value) for key, value in bad.items()}
    found = answer(gear, units=[gear.unit("U1", battery_minutes=0.0), gear.unit("U2", "S9")], outages=[row])
    assert set(found) == {"U1", "U2"}


def test_no_units_and_no_sites_give_empty_frames(gear):
    assert answer(gear) == {}
    assert len(answer(gear, sites=[], units=[gear.unit("U1")])) == 1


def test_the_order_of_rows_does_not_matter(gear):
    units = [gear.unit(f"U{i}", "S1" if i % 2 else "S2") for i in range(6)]
    reports = [
        gear.report(f"U{i}", 5 * j + i, 9 - j, power="battery", battery_percent=90.0 - j)
        for i in range(4)
        for j in range(3)
    ]
    outage = [gear.outage("K1", 40), gear.outage("K2", 40)]
    one = answer(gear, units=units, status=reports, outages=outage)
    two = answer(gear, units=units[::-1], status=reports[::-1], outages=outage[::-1])
    assert one == {key: two[key] for key in one}


def test_supply_states_have_their_columns_first(gear):
    _, frame = states(gear, units=[gear.unit("U1")])
    assert isinstance(frame, pl.DataFrame)
    assert frame.columns == list(events.SupplyStates.to_schema().columns)
