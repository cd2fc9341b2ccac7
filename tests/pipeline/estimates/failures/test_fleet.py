"""Curves of the fleet: who is in which group, and what adds up."""

import pytest

from pipeline.contracts import estimates
from pipeline.estimates.failures import faults, fleet


def answer(gear, units, status, **more):
    known = gear.known(units=units, status=status, **more)
    frame = fleet.fleet(known, faults.faults(known, gear.readings()))
    estimates.Fleet.validate(frame)
    return {(r["group_by"], r["group"], r["hours"]): r for r in frame.iter_rows(named=True)}


def test_faults_a_unit_by_model_year_age_type_and_site(gear):
    # Open for five hours: two misfeeds of one unit of 2012 in the second hour, none of the other two
    units = [gear.unit("U1", in_service=2012), gear.unit("U2", in_service=2024), gear.unit("U3", "S2", in_service=2024)]
    status = [
        gear.report("U1", 190, 1, misfeeds=0),
        gear.report("U1", 185, 2, misfeeds=2),
        gear.report("U1", 5, 3, misfeeds=2),
    ]
    rows = answer(gear, units, status)
    assert rows[("all", "all", 1.0)]["faults_per_unit_mean"] == 0
    assert rows[("all", "all", 5.0)]["faults_per_unit_mean"] == pytest.approx(2 / 3)
    assert rows[("model-year", "2012", 5.0)]["faults_per_unit_mean"] == 2
    assert rows[("model-year", "2024", 5.0)]["units"] == 2
    assert rows[("age", "10-14", 5.0)]["faults_per_unit_mean"] == 2
    assert rows[("age", "0-4", 5.0)]["faults_per_unit_mean"] == 0
    assert rows[("site", "S1", 5.0)]["faults_per_unit_mean"] == 1
    assert ("site", "S1", 3.0) not in rows


def test_a_group_without_faults_has_an_upper_bound_all_the_same(gear):
    # None seen in two units: the exact 95 % limit of a Poisson mean of nought, 2.9957, over two (Garwood 1936)
    rows = answer(gear, [gear.unit("U1"), gear.unit("U2")], [])
    assert rows[("all", "all", 5.0)]["faults_per_unit_high"] == pytest.approx(2.9957 / 2, abs=1e-4)


def test_units_at_the_depot_and_unknown_years_are_left_out(gear):
    rows = answer(gear, [gear.unit("U1"), gear.unit("U9", None)], [])
    assert rows[("all", "all", 5.0)]["units"] == 1
    assert not [key for key in rows if key[0] == "model-year"]
    assert answer(gear, [], []) == {}
