import polars as pl
import pytest
from scipy.stats import nbinom, norm, poisson

from pipeline.estimates.dispatch.carried import Carried
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.parts import (
    critical_fractile,
    demand,
    failures_by_category,
    hand_overs,
    newsvendor,
    vehicle_loads,
)
from pipeline.estimates.dispatch.rovers import part_needed


def test_the_newsvendor_of_the_textbook():
    # Nahmias, Production and Operations Analysis, the newsstand (from memory): bought at 25 cents, sold at 75, returned at
    # 10; demand normal, mean 11.73, sd 4.74: fractile 0.50/0.65 = 0.77, order 15
    fractile = critical_fractile(short=0.50, spare=0.15)
    assert fractile == pytest.approx(0.77, abs=0.005)
    assert round(newsvendor(fractile, lambda q: norm.ppf(q, 11.73, 4.74))) == 15


def test_the_newsvendors_load_has_the_least_expected_cost():
    # by enumeration: short 9 a part, spare 1, demand Poisson of mean 3
    need = range(40)
    cost = [sum(poisson.pmf(d, 3) * (9 * max(0, d - q) + max(0, q - d)) for d in need) for q in range(15)]
    assert newsvendor(critical_fractile(9, 1), lambda q: poisson.ppf(q, 3)) == cost.index(min(cost))


def test_need_of_a_part_is_gamma_poisson():
    n, p = demand(mean=3.0, shape=2.0)
    assert nbinom.mean(n, p) == pytest.approx(3)
    assert nbinom.var(n, p) == pytest.approx(3 + 3**2 / 2)  # mean + mean²/shape


def loads_of(day, dispatch_inputs, counts, **settings):
    rovers = [day.rover("R1", parts="paper-roll:1;cable:0"), day.rover("R2", parts="roller:-3")]
    known, *_ = dispatch_inputs(rovers=rovers, settings={f"parts.{k}": v for k, v in settings.items()})
    used = pl.DataFrame(counts, schema={"category": pl.String, "count": pl.Float64}, orient="row")
    return {(r["rover_id"], r["part"]): r for r in vehicle_loads(known, used).to_dicts()}


def test_each_vehicle_loads_for_its_share_of_the_last_elections_failures(day, dispatch_inputs):
    found = loads_of(day, dispatch_inputs, [("tape-printer", 8.0)])
    row = found["R1", "paper-roll"]
    assert row["expected"] == 4.0  # eight over two vehicles
    n, p = demand(4.0, 2.0)
    assert row["load"] == nbinom.ppf(0.9, n, p)
    assert row["chance_short"] <= 0.1 < row["chance_short_as_is"]
    assert found["R2", "roller"]["load"] == 0 and found["R2", "roller"]["carried"] == 0


def test_a_dearer_shortage_loads_more(day, dispatch_inputs):
    def load(cost):
        return loads_of(day, dispatch_inputs, [("tape-printer", 8.0)], short_cost=cost)["R1", "paper-roll"]["load"]

    assert load(1.0) < load(9.0) < load(99.0)


def test_no_failures_and_no_rovers_load_nothing(day, dispatch_inputs):
    assert {row["load"] for row in loads_of(day, dispatch_inputs, []).values()} == {0}
    known, *_ = dispatch_inputs(rovers=[])
    assert vehicle_loads(known, pl.DataFrame(schema={"category": pl.String, "count": pl.Float64})).is_empty()


def test_what_visits_were_for_is_counted_without_repeats(day, dispatch_inputs):
    tickets = [
        day.ticket("K1", category="bmd", rover_id="R1", arrived_at=day.at),
        day.ticket("K2", category="bmd", rover_id="R1", arrived_at=day.at, same_as="K1"),
        day.ticket("K3", category="bmd"),
    ]
    known, frame, *_ = dispatch_inputs(tickets)
    assert failures_by_category(known, frame).rows() == [("bmd", 1.0)]


def test_a_vehicle_with_more_than_it_needs_hands_over(day, dispatch_inputs):
    rovers = [day.rover("R1", parts="cable:1"), day.rover("R2", 0.2, parts="paper-roll:2")]
    inputs = dispatch_inputs([day.ticket("K1", "S1", "tape-printer")], rovers=rovers)
    rows = hand_overs(inputs[0], dispatch(*inputs)).to_dicts()
    assert [(r["part"], r["from"], r["to"], r["for_site_id"]) for r in rows] == [("paper-roll", "R2", "R1", "S1")]
    none = dispatch_inputs([day.ticket("K1", "S1", "tape-printer")], rovers=[day.rover("R1", parts="cable:1")])
    assert hand_overs(none[0], dispatch(*none)).is_empty()


def test_a_rover_with_the_part_goes_before_a_nearer_one_without(day, dispatch_inputs):
    # a part is needed seven times in ten, a second visit takes 45 min: 31.5 min on average, the drive from R2 12.84
    rovers = [day.rover("R1", parts="cable:1"), day.rover("R2", 0.05, parts="paper-roll:2")]
    tickets = [day.ticket("K1", "S1", "tape-printer")]
    row = dispatch(*dispatch_inputs(tickets, rovers=rovers)).row(0, named=True)
    assert (row["rover_id"], row["parts"]) == ("R2", ["paper-roll"])
    assert "R1 could be there 13 min sooner, but carries no part for report printer." in row["why"]
    seldom = {"dispatch.part_needed_tape_printer": 0.1}
    near = dispatch(*dispatch_inputs(tickets, rovers=rovers, settings=seldom)).row(0, named=True)
    assert near["rover_id"] == "R1"
    assert "No part on board for: report printer." in near["why"]


def test_a_part_that_lacks_makes_the_visit_longer_on_average(day, dispatch_inputs):
    rovers = [day.rover("R1", parts="cable:1")]
    tickets = [day.ticket("K1", "S1", "tape-printer"), day.ticket("K2", "S2", "tape-printer")]
    second = dispatch(*dispatch_inputs(tickets, rovers=rovers)).filter(pl.col("stop") == 2)
    usual = dispatch(*dispatch_inputs(tickets, rovers=[day.rover("R1", parts="paper-roll:2")])).filter(
        pl.col("stop") == 2
    )
    later = (second["leave_at"][0] - usual["leave_at"][0]).total_seconds() / 60
    assert later == pytest.approx(0.7 * 45, abs=0.02)


def test_the_chance_that_one_of_several_parts_lacks(day, dispatch_inputs):
    known, *_ = dispatch_inputs()
    carried = Carried((("battery", 9),), has_power_skill=True, are_ballots_listed=False)
    stop = tuple((kind, part_needed(kind, known.settings)) for kind in ("tape-printer", "bmd", "power"))
    assert carried.chance_lacking(stop, ()) == pytest.approx(1 - 0.3 * 0.6)
    assert carried.chance_lacking(stop[2:], ()) == 0


@pytest.mark.parametrize("parts", [None, "", ";"])
def test_a_vehicle_whose_parts_nobody_has_listed_counts_as_carrying_all(day, dispatch_inputs, parts):
    rovers = [day.rover("R1", parts=parts), day.rover("R2", 0.05, parts="paper-roll:2")]
    assert dispatch(*dispatch_inputs([day.ticket("K1", "S1", "tape-printer")], rovers=rovers))["rover_id"][0] == "R1"


def test_ballots_lack_only_where_some_vehicle_lists_them(day, dispatch_inputs):
    # a roster of spare parts says nothing of ballots: they are brought for the stop (common practice, no source)
    tickets = [day.ticket("K1", "S1", "ballot-stock"), day.ticket("K2", "S2", "ballot-stock")]
    plans = [dispatch(*dispatch_inputs(tickets, rovers=[day.rover("R1", parts=p)])) for p in ("cable:1", None)]
    assert plans[0]["leave_at"].to_list() == plans[1]["leave_at"].to_list()
    asked = dispatch(*dispatch_inputs(tickets, rovers=[day.rover("R1", parts="cable:1;ballots:0")]))
    assert asked["leave_at"][1] > plans[0]["leave_at"][1]
