"""What the units next door tell of a unit that has not had the time to tell itself."""

import pytest

from pipeline.estimates.power import learnt, neighbours, power


@pytest.fixture
def row(gear, day):
    """The supply of U9, at another site of circuit K1; it last reported mains 20 min ago."""

    def of(*reports, **rows):
        sites = [day.site(s, circuit="K1") for s in ("S1", "S2", "S3")] + [
            day.site(f"X{i}", circuit=f"L{i}") for i in range(9)
        ]
        units = [gear.unit("U1"), gear.unit("U2"), gear.unit("U3", "S2"), gear.unit("U9", "S3")]
        known = gear.known(sites=sites, units=units, status=[gear.report("U9", 20), *reports], **rows)
        judged = power.judged(known, gear.readings(), gear.notes(), learnt.learnt_fleet(known))
        frame = power.supply_states(known, judged, gear.notes())
        return frame.filter(unit_id="U9").row(0, named=True)

    return of


def lost(gear, unit, ago):
    return gear.report(unit, ago, 1, power="battery", battery_percent=99.0)


def test_a_unit_that_has_not_reported_since_its_circuit_lost_mains_is_taken_to_be_off(gear, row):
    assert row()["supply"] == "mains"
    found = row(lost(gear, "U1", 8), lost(gear, "U2", 7))
    assert (found["supply"], found["since"]) == ("battery", gear.ago(8))
    assert "2 unit(s) of 1 site(s) lost mains since" in found["basis"]


def test_a_word_of_mains_since_then_at_another_site_says_that_it_is_that_place_alone(gear, row):
    assert row(lost(gear, "U1", 8), gear.report("U3", 3))["supply"] == "mains"
    assert row(lost(gear, "U1", 8), gear.report("U3", 12))["supply"] == "battery"


def test_its_own_later_report_of_mains_wins(gear, row):
    assert row(lost(gear, "U1", 25), lost(gear, "U2", 24))["supply"] == "mains"


def test_its_own_report_a_minute_after_the_first_word_counts_as_one_before_where_two_sites_tell(gear, row):
    own = gear.report("U9", 7, 1)
    assert row(lost(gear, "U1", 8), own)["supply"] == "mains"
    found = row(lost(gear, "U1", 8), lost(gear, "U3", 6), own)
    assert (found["supply"], found["since"]) == ("battery", gear.ago(7))


def test_a_place_is_judged_by_those_heard_since_its_first_unit_lost_mains(gear):
    # P1 never reports; of the three scanners beside it one has lost mains
    units = [*(gear.unit(f"U{i}") for i in (1, 2, 3)), gear.unit("P1", kind="electronic-poll-book")]

    def supply(others_ago):
        reports = [gear.report(u, others_ago) for u in ("U2", "U3")]
        known = gear.known(units=units, status=[*reports, lost(gear, "U1", 12), lost(gear, "U1", 2)])
        judged = power.judged(known, gear.readings(), gear.notes(), learnt.learnt_fleet(known))
        frame = power.supply_states(known, judged, gear.notes())
        return frame.filter(unit_id="P1").row(0, named=True)["supply"]

    assert supply(20) == "battery"
    assert supply(5) == "mains"


def test_more_units_and_more_sites_make_it_surer(gear, row):
    alone = row(lost(gear, "U1", 8))["chance_off"]
    place = row(lost(gear, "U1", 8), lost(gear, "U2", 7))["chance_off"]
    sites = row(lost(gear, "U1", 8), lost(gear, "U3", 7))["chance_off"]
    assert 0.5 < alone < place < sites


def test_in_a_storm_one_unit_off_is_sooner_its_circuit(gear, row):
    storm = [gear.outage(f"L{i}", 100 + i) for i in range(8)]
    assert row(lost(gear, "U1", 8), outages=storm)["chance_off"] > row(lost(gear, "U1", 8))["chance_off"] + 0.1


def test_the_rate_of_outages_is_the_published_one_until_the_day_says_otherwise(gear):
    # 1.4 interruptions a customer and year (EIA Table 11.1, from memory) count as one outage in 365 / 1.4 days; a day
    # of two circuits without an outage adds two circuit-days: gamma prior, Poisson counts
    quiet = neighbours.outages_per_day(gear.known())
    assert quiet == pytest.approx(1 / (365 / 1.4 + 2))
    one = neighbours.outages_per_day(gear.known(outages=[gear.outage("K1", 60)]))
    assert one == pytest.approx(2 * quiet)
