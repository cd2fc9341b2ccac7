"""What an outage may cost by site and circuit, what can be done about it, and what is odd."""

from itertools import permutations
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from scipy import integrate, stats

from pipeline.contracts.asked import IfOut
from pipeline.contracts.consequences import Circuits, Exposure, Remedies
from pipeline.errors import EstimateError
from pipeline.estimates.power import batteries, ifout, learnt, outages, places, power, remedies
from pipeline.estimates.power.condense import condensed, numbered
from pipeline.estimates.power.stakes import COARSE, Stakes, cost_if_ended, spread_of

BOOK = "electronic-poll-book"


@pytest.fixture
def told(gear, day):
    """All frames of an invented county: `told(**rows)`; a site's load is ten in line and two arrivals a minute."""

    def answer(notes=(), loads=None, **rows) -> SimpleNamespace:
        rows.setdefault("units", [gear.unit("U1"), gear.unit("U2", "S2")])
        known = gear.known(**rows)
        given = [day.load(s, scanner_waiting=10.0, checkin_waiting=10.0, arrivals_per_minute=2.0) for s in ("S1", "S2")]
        load = gear.loads(given if loads is None else loads)
        words = gear.notes(notes)
        judged = power.judged(known, gear.readings(), words, learnt.learnt_fleet(known))
        supply = power.supply_states(known, judged, words)
        stakes = power.stakes(known, supply, load, judged)
        units = power.power(known, supply, load, stakes)
        sites = Exposure.validate(places.exposure(known, supply, stakes, units, load))
        lines = Circuits.validate(places.circuits(known, sites))
        options = Remedies.validate(remedies.remedies(known, supply, stakes, load))
        by = {"units": (units, "unit_id"), "sites": (sites, "site_id"), "circuits": (lines, "circuit")}
        named = {name: {r[key]: r for r in frame.iter_rows(named=True)} for name, (frame, key) in by.items()}
        return SimpleNamespace(known=known, supply=supply, stakes=stakes, loads=load, remedies=options, **named)

    return answer


def test_a_line_stops_only_when_its_last_unit_is_dark(gear, told):
    units = [gear.unit("U1", battery_minutes=60.0), gear.unit("U2"), gear.unit("P1", kind=BOOK, battery_minutes=60.0)]
    found = told(units=units, outages=[gear.outage("K1", 70)])
    site = found.sites["S1"]
    assert site["chance_no_checkin"] == pytest.approx(found.units["P1"]["chance_dark"], abs=0.02)
    assert site["chance_no_scanner"] < found.units["U1"]["chance_dark"]
    assert (site["scanners_off"], site["poll_books_off"], site["units_off"]) == (2, 1, 3)


def test_a_unit_that_still_has_mains_keeps_its_line_going(gear, told):
    units = [gear.unit("U1", battery_minutes=60.0), gear.unit("U2")]
    reports = [gear.report("U1", 3, power="battery", battery_percent=4.0), gear.report("U2", 2)]
    found = told(units=units, outages=[gear.outage("K1", 60)], status=reports)
    assert found.units["U1"]["chance_dark"] > 0.5
    assert found.sites["S1"]["chance_no_scanner"] == 0


def test_poll_books_marking_devices_and_other_accessible_units_count(gear, told):
    units = [
        gear.unit("P1", kind=BOOK),
        gear.unit("M1", kind="bmd"),
        gear.unit("A1", "S2", kind="dre", accessible_expected="yes"),
    ]
    found = told(units=units, outages=[gear.outage("K1", 200), gear.outage("K2", 200)])
    assert all(found.units[u]["expected_voter_minutes"] > 0 for u in ("P1", "M1", "A1"))
    assert found.sites["S2"]["accessible_off"] == 1
    assert found.sites["S1"]["chance_no_accessible"] > 0


def test_a_circuits_row_adds_up_its_sites(gear, told, day):
    sites = [day.site("S1", circuit="K1"), day.site("S2", circuit="K1")]
    found = told(sites=sites, outages=[gear.outage("K1", 150)])
    row = found.circuits["K1"]
    total = sum(site["expected_voter_minutes"] for site in found.sites.values())
    assert row["expected_voter_minutes"] == pytest.approx(total)
    assert (row["sites"], row["units_off"], row["outage_id"]) == (2, 2, "O-K1-150")
    assert row["back_at_low"] <= row["back_at_median"] <= row["back_at_high"]


def test_the_bounds_of_the_cost_are_its_closed_form_at_the_outages_quantiles():
    # An exponential outage of mean 100, a battery empty at 45, closing at 165, 10 in line and 0.5 arrivals a minute:
    # the cost is a function of the outage's end, so its quantiles are that function of the outage's quantiles
    u, one = outages.grid(), np.ones(1)
    gone = (u >= 45).astype(float)[None, :]
    stakes = Stakes(None, None, u, np.exp(-u / 100)[None, :], gone, 165 * one, 10 * one, 0.5 * one)
    low, high = spread_of(stakes.lasts[:, ::COARSE], cost_if_ended(stakes, u[COARSE::COARSE]), np.zeros(1))
    dark = min(100 * np.log(20), 165) - 45  # the 95 % point of the outage is past the closing
    assert low[0] == 0
    assert high[0] == pytest.approx(10 * dark + 0.5 * dark**2 / 2, rel=0.05)


def test_the_bounds_of_the_cost_hold_the_doubt_of_when_a_unit_runs_empty():
    # Emptying at 80 +- 30 min, an exponential outage of mean 100, closing at 200: quantiles of a simulated cost
    rng, one = np.random.default_rng(7), np.ones(1)
    u = outages.grid()
    gone = stats.norm.cdf(u, 80, 30)[None, :]
    s = Stakes(None, None, u, np.exp(-u / 100)[None, :], gone, 200 * one, 10 * one, 0.5 * one)
    low, high = spread_of(s.lasts[:, ::COARSE], cost_if_ended(s, u[COARSE::COARSE]), np.zeros(1))
    dark = np.maximum(np.minimum(rng.exponential(100, 400_000), 200) - rng.normal(80, 30, 400_000), 0)
    assert low[0] == 0
    assert high[0] == pytest.approx(np.quantile(10 * dark + 0.25 * dark**2, 0.95), rel=0.06)


def test_ballots_put_into_the_emergency_compartment_are_credited_as_far_as_the_county_says(gear, told):
    units = [gear.unit("U1"), gear.unit("U3", kind=BOOK)]
    rows = {"units": units, "outages": [gear.outage("K1", 200)]}
    none = told(**rows).units
    most = told(settings={"power.compartment_share": 0.75}, **rows).units
    assert none["U1"]["expected_voter_minutes"] > 0
    assert most["U1"]["expected_voter_minutes"] == pytest.approx(0.25 * none["U1"]["expected_voter_minutes"])
    assert most["U3"]["expected_voter_minutes"] == pytest.approx(none["U3"]["expected_voter_minutes"])


def test_what_a_remedy_saves_is_the_cost_after_it_works_by_quadrature(gear, told):
    # A generator begun now works after 30 min; saved is Q0 * int F S + arrivals * int S * (int F) from then to closing
    found = told(units=[gear.unit("U1")], outages=[gear.outage("K1", 200)])
    row = found.remedies.filter(option="generator").row(0, named=True)
    s = found.stakes

    def at(values, v):
        return np.interp(v, s.u, values[0])

    def cost(v):
        return at(s.lasts, v) * (s.waiting[0] * at(s.gone, v) + s.arrivals[0] * np.interp(v, s.u, inner))

    steps = np.diff(s.u) * (s.gone[0, 1:] + s.gone[0, :-1]) / 2
    inner = np.concatenate([[0.0], np.cumsum(steps)])
    exact = integrate.quad(cost, 30.0, s.left[0], limit=500, epsabs=1.0, epsrel=1e-4)[0]
    assert row["voter_minutes_saved"] == pytest.approx(exact, rel=0.02)


def test_a_remedy_saves_less_the_later_it_comes_and_says_until_when_it_helps(gear, told):
    found = told(outages=[gear.outage("K1", 150)])
    for row in found.remedies.iter_rows(named=True):
        assert row["voter_minutes_saved"] >= row["saved_in_30"] >= row["saved_in_60"] >= row["saved_in_120"] >= 0
        assert gear.at <= row["best_by"] <= row["latest_at"]
        assert row["voter_minutes_saved_low"] <= row["voter_minutes_saved"] <= row["voter_minutes_saved_high"]


def test_options_are_named_only_where_they_are_at_hand(gear, told):
    units = [gear.unit("U1"), gear.unit("U2"), gear.unit("U9", None, role="spare"), gear.unit("U3", "S2")]
    outage = [gear.outage("K1", 100), gear.outage("K2", 100)]
    reports = [gear.report("U1", 3, power="battery", battery_percent=70.0), gear.report("U2", 2)]
    found = told(units=units, outages=outage, status=reports)
    named = {(row["site_id"], row["option"]) for row in found.remedies.iter_rows(named=True)}
    assert ("S1", "live-outlet") in named
    assert ("S2", "live-outlet") not in named
    spare = found.remedies.filter(site_id="S1", option="charged-unit").row(0, named=True)
    assert spare["spare_ids"] == ["U9"]
    without = told(units=units[:2], outages=outage)
    assert "charged-unit" not in set(without.remedies["option"])


@pytest.mark.parametrize(
    ("option", "words"),
    [
        ("generator", ("outdoors only", "20 ft", "exhaust pointing away", "carbon monoxide kills")),
        ("generator", ("10 ft from overhead lines", "downed lines as live", "call the utility")),
        ("generator", ("open the main breaker before back-feeding", "rounded three-wire", "licensed electrician")),
        ("battery", ("swollen, hot, smoking or leaking", "move people away", "call 911", "0 °C", "40 °C")),
        ("battery", ("with authority", "Local code")),
        ("charged-unit", ("tested and sealed", "zero report", "custody")),
        ("emergency-compartment", ("two people", "custody")),
    ],
)
def test_the_caution_stands_beside_the_advice(gear, told, option, words):
    # CPSC, OSHA and NFPA as named in remedies.py; custody: common practice, no source
    units = [gear.unit("U1"), gear.unit("U9", None, role="spare")]
    row = told(units=units, outages=[gear.outage("K1", 100)]).remedies.filter(option=option).row(0, named=True)
    assert all(word in row["caution"] for word in words)


def test_on_mains_there_is_nothing_to_do_and_nothing_to_fear(told):
    found = told()
    assert found.remedies.is_empty()
    assert found.sites["S1"]["expected_voter_minutes"] == 0
    assert found.sites["S1"]["back_at_median"] is None


@pytest.mark.parametrize(("odd", "rose"), [(99.0, 13), (140.0, 54)])
def test_percentages_that_rise_while_off_are_kept_marked_and_widen(gear, told, odd, rose):
    # One over 100 is put in quarantine at intake (tests of the shape); an estimate that meets it all the same marks it
    def width(percents):
        reports = [
            gear.report("U1", 60 - 10 * i, i, power="battery", battery_percent=p) for i, p in enumerate(percents)
        ]
        row = told(status=reports).units["U1"]
        return (row["empty_at_high"] - row["empty_at_low"]).total_seconds(), row

    plain, usual = width([95.0, 91.0, 86.0, 82.0, 78.0, 74.0])
    rising, row = width([95.0, 91.0, 86.0, odd, 78.0, 74.0])
    assert usual["marks"] is None
    assert f"rose by {rose} while off mains: doubted" in row["marks"]
    assert row["marks"] in row["basis"]
    assert rising > plain
    # It moves by no more than its doubt
    assert row["empty_at_low"] < usual["empty_at_mean"] < row["empty_at_high"]


def test_notes_that_contradict_each_other_make_the_state_less_sure(gear, told):
    def note(event, ago):
        usual = {"occurred_at": gear.ago(ago), "received_at": gear.ago(ago), "site_id": "S1", "text": "as written"}
        return usual | {"event": event}

    alone = told(notes=[note("lost", 5)]).units["U1"]
    both = told(notes=[note("restored", 7), note("lost", 5)]).units["U1"]
    assert both["supply"] == "battery"
    assert 0.5 < both["chance_off"] < alone["chance_off"]
    assert both["marks"] == "notes contradict each other within minutes"
    assert both["marks"] in both["basis"]


def test_an_outage_that_ends_before_it_starts_is_marked_and_believed_less(gear, told):
    found = told(outages=[gear.outage("K1", 60, restored_at=gear.ago(90))])
    row, why = found.units["U1"], "the utility lists an outage that ends before it starts"
    assert found.circuits["K1"]["marks"] == row["marks"] == found.sites["S1"]["marks"] == why
    assert why in row["basis"]
    # Neither believed nor dismissed
    assert row["chance_off"] == pytest.approx(0.4)


def test_a_circuit_that_nobody_lists_has_a_row_of_its_own_and_changes_no_unit(gear, told):
    found, without = told(outages=[gear.outage("K9", 30)]), told()
    assert "no site of the roster" in found.circuits["K9"]["marks"]
    assert [row["supply"] for row in found.units.values()] == [row["supply"] for row in without.units.values()]


def test_a_promise_for_yesterday_is_marked_and_does_not_end_the_outage(gear, told):
    found = told(outages=[gear.outage("K1", 60, estimated_restoration_at=gear.ago(1500))])
    row, why = found.units["U1"], "the utility promised a time before the outage began"
    assert found.circuits["K1"]["marks"] == row["marks"] == why
    assert why in row["basis"]
    assert row["supply"] == "battery"
    assert row["chance_dark"] > 0

    def back(**promise):
        site = told(outages=[gear.outage("K1", 60, **promise)]).sites["S1"]
        return [(site[f"back_at_{name}"] - gear.at).total_seconds() / 60 for name in ("low", "median", "high")]

    odd, none = back(estimated_restoration_at=gear.ago(1500)), back()
    soon = back(estimated_restoration_at=gear.ago(-30))
    # It draws the outage's end nearer, and leaves it wider than a promise that can be kept
    assert soon[1] < odd[1] < none[1]
    assert odd[2] - odd[0] > soon[2] - soon[0]


def test_a_percentage_over_a_hundred_counts_as_full(gear):
    # intake puts it in quarantine (tests of the shape); an estimate that meets one all the same stays in its bounds
    over, full = (gauge_of(gear, percent) for percent in (140.0, 100.0))
    assert over == full == 1.0


def gauge_of(gear, percent):
    return pl.select(batteries.gauge(pl.lit(percent), gear.known().settings)).item()


def test_condensing_the_reports_changes_no_answer(gear):
    reports = [gear.report("U1", 200 - 5 * i, i, battery_percent=100.0) for i in range(20)]
    reports += [
        gear.report("U1", 95 - 5 * i, 20 + i, power="battery", battery_percent=99.0 - 2 * (i // 2)) for i in range(19)
    ]
    raw = gear.raw(units=[gear.unit("U1")], status=reports)  # by time, as what reads them asks
    brief = condensed(raw)
    assert brief.status.height < raw.status.height
    assert power_of(gear, numbered(raw)).equals(power_of(gear, brief))
    assert condensed(gear.raw(units=[gear.unit("U1")], status=reports[::-1])).status.equals(brief.status)


def test_condensed_reports_stand_in_one_order_however_they_came(gear):
    # Two units, three reports of one of them at one time
    words = [("U2", 30, 1, "mains", 98.0), ("U1", 30, 2, "mains", 99.0), ("U1", 30, 2, "battery", 99.0), ("U1", 30, 1, "mains", 97.0), ("U1", 20, 3, "battery", 96.0)]  # fmt: skip
    reports = [gear.report(u, ago, n, power=power, battery_percent=percent) for u, ago, n, power, percent in words]
    units = [gear.unit("U1"), gear.unit("U2")]
    taken = [condensed(gear.raw(units=units, status=list(order))).status for order in permutations(reports)]
    assert taken[0].select("unit_id", "sequence", "power").rows()[:3] == [
        ("U1", 1, "mains"),
        ("U1", 2, "battery"),
        ("U1", 2, "mains"),
    ]
    assert all(status.equals(taken[0]) for status in taken)


def power_of(gear, known):
    judged = power.judged(known, gear.readings(), gear.notes(), learnt.learnt_fleet(known))
    supply, loads = power.supply_states(known, judged, gear.notes()), gear.loads()
    return power.power(known, supply, loads, power.stakes(known, supply, loads, judged))


def test_a_supposed_outage_shorter_than_every_battery_costs_nothing_and_a_long_one_does(gear, told):
    found = told()

    def cost(minutes):
        outage = ifout.Supposed("K1", gear.at, minutes)
        return IfOut.validate(ifout.if_out(found.known, found.loads, outage)).row(0, named=True)

    assert cost(60.0)["expected_dark_minutes"] == pytest.approx(0, abs=0.01)
    assert cost(400.0)["expected_voter_minutes"] > 0
    assert (
        cost(400.0)["voter_minutes_low"] <= cost(400.0)["expected_voter_minutes"] <= cost(400.0)["voter_minutes_high"]
    )


def test_all_circuits_are_compared_the_costliest_first(gear, told):
    units = [gear.unit("U1"), gear.unit("U2", "S2", battery_minutes=60.0)]
    found = told(units=units)
    frame = ifout.if_out(found.known, found.loads, ifout.Supposed("all", gear.at, 120.0))
    assert frame["circuit"].to_list() == ["K2", "K1"]
    assert frame["rank"].to_list() == [1, 2]


def test_a_supposed_outage_is_read_or_refused(gear, told):
    def clock(text):
        assert text == "10:30"
        return gear.ago(90)

    assert ifout.supposed("K1@10:30+90", gear.at, clock) == ifout.Supposed("K1", gear.ago(90), 90.0)
    assert ifout.supposed("all@T+45", gear.at, clock).from_at == gear.at
    for bad in ("K1", "K1@T", "K1@T+0", "K1@T+99999", "K1@T+-5"):
        with pytest.raises(EstimateError):
            ifout.supposed(bad, gear.at, clock)
    with pytest.raises(EstimateError, match="no site"):
        ifout.if_out(told().known, gear.loads(), ifout.Supposed("K7", gear.at, 90.0))
