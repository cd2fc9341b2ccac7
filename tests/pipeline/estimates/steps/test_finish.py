"""When the county is done: what was learnt from the night, and how sure it is."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from pipeline.contracts import estimates
from pipeline.estimates.steps import finish, milestones

CLOSES = datetime(2026, 11, 4, 1, tzinfo=UTC)
GAPS = {
    "closed": 2,
    "last-voter": 14,
    "results-tape": 9,
    "media-sealed": 12,
    "media-handed-over": 20,
    "media-received": 35,
}


def night(day, rng, many, differs=0.0):
    """Sites whose gaps between steps are lognormal (sd 0.4 of the logarithm) about `GAPS`, which differ by night."""
    usual = {name: gap * np.exp(differs * rng.standard_normal()) for name, gap in GAPS.items()}
    sites = [day.site(f"S{i:02}") for i in range(many)]
    steps = []
    for i in range(many):
        at = CLOSES
        for name, gap in usual.items():
            at += timedelta(minutes=float(gap * np.exp(0.4 * rng.standard_normal())))
            steps.append({"site_id": f"S{i:02}", "milestone": name, "at": at, "received_at": at + timedelta(minutes=5)})
    return sites, steps


def answer(gear, at, sites, steps):
    known = gear.known(at=at, sites=sites, milestones=[s for s in steps if s["received_at"] <= at])
    frame = finish.finish(known, milestones.milestones(known))
    estimates.Finish.validate(frame)
    return {r["site_id"]: r for r in frame.iter_rows(named=True)}


def ends_of(steps):
    return {s["site_id"]: s["at"] for s in steps if s["milestone"] == "media-received"}


def test_nine_of_ten_sites_are_done_within_their_interval_and_the_county_too(gear, day):
    # Simulated nights an hour after closing, some slow and some quick in each step (sd 0.6 of the logarithm)
    hits, rows, county = 0, 0, 0
    for seed in range(40):
        sites, steps = night(day, np.random.default_rng(seed), 12, differs=0.6)
        told, ends = answer(gear, CLOSES + timedelta(minutes=60), sites, steps), ends_of(steps)
        for site_id, row in told.items():
            end = max(ends.values()) if site_id is None else ends[site_id]
            inside = row["done_at_low"] <= end <= row["done_at_high"]
            if site_id is None:
                county += inside
            elif not row["is_done"]:
                hits, rows = hits + inside, rows + 1
    assert 0.8 <= hits / rows <= 0.99
    assert 30 <= county <= 40


def test_the_interval_closes_as_the_night_goes_on(gear, day):
    sites, steps = night(day, np.random.default_rng(1), 24)
    widths = [
        (row["done_at_high"] - row["done_at_low"]).total_seconds()
        for row in (answer(gear, CLOSES + timedelta(minutes=m), sites, steps)[None] for m in (-120, 60, 100))
    ]
    assert widths[0] > widths[1] > widths[2]


def test_when_every_site_has_reported_the_county_is_done_at_the_last(gear, day):
    sites, steps = night(day, np.random.default_rng(2), 5)
    row = answer(gear, CLOSES + timedelta(minutes=600), sites, steps)[None]
    assert row["is_done"] and row["waiting_for"] is None
    assert abs((row["done_at_mean"] - max(ends_of(steps).values())).total_seconds()) < 1


def test_a_site_says_what_it_waits_for(gear, day):
    steps = [{"site_id": "S1", "milestone": "closed", "at": CLOSES, "received_at": CLOSES}]
    rows = answer(gear, CLOSES + timedelta(minutes=20), [day.site("S1"), day.site("S2")], steps)
    assert (rows["S1"]["waiting_for"], rows["S2"]["waiting_for"], rows[None]["waiting_for"]) == (
        "last-voter",
        "last-voter",
        "2 sites",
    )


def test_waits_that_go_on_make_the_learnt_gap_longer():
    # The maximum of the likelihood of values and lower bounds lies above the mean of the values alone
    seen = np.log([10.0, 12.0, 9.0, 11.0])
    alone, _, _ = finish.fitted(seen, np.zeros(0), np.log(10.0))
    longer, _, _ = finish.fitted(seen, np.log([30.0, 30.0]), np.log(10.0))
    assert longer > alone


def test_the_same_night_gives_the_same_figures_in_any_order_and_no_sites_none(gear, day):
    sites, steps = night(day, np.random.default_rng(3), 6)
    at = CLOSES + timedelta(minutes=50)
    assert answer(gear, at, sites, steps) == answer(gear, at, sites[::-1], steps[::-1])
    assert answer(gear, at, [], []) == {}


def test_a_county_without_custody_steps_ends_with_the_steps_it_has(gear, day):
    from pipeline.contracts.known import MilestoneRule

    off = {n: MilestoneRule(n, False, "closes", 0) for n in ("media-sealed", "media-handed-over", "media-received")}
    known = gear.known(at=CLOSES, sites=[day.site("S1")], rules=off)
    frame = finish.finish(known, milestones.milestones(known))
    assert frame.height == 2 and frame["done_at_high"][0] < CLOSES + timedelta(hours=6)


@pytest.mark.parametrize("opens", [0, 24])
def test_hours_that_make_no_sense_give_an_answer(gear, day, opens):
    site = day.site("S1", closes_at=CLOSES - timedelta(hours=opens))
    assert answer(gear, CLOSES, [site], [])["S1"]["done_at_low"] is not None
