"""Promises: the newest counts, bias and spread are learnt over the settings, odd ones say little."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.estimates.power import promises


def listing(gear, number, ago, given, lasted):
    """An outage that began so long ago, promised then for `given` minutes, over after `lasted` (None: still out)."""
    began = gear.ago(ago)
    row = gear.outage("K1", ago) | {"outage_id": f"O{number}", "received_at": began}
    over = {} if lasted is None else {"restored_at": gear.ago(ago - lasted)}
    return row | {"estimated_restoration_at": gear.ago(ago - given)} | over


def test_without_promises_the_settings_stand(gear):
    known = gear.known()
    errors = promises.told(known).errors
    assert errors.first == pytest.approx((np.log(known.settings["power.promise_ratio"]), 0.65))
    assert errors.revised == pytest.approx((np.log(known.settings["power.revised_ratio"]), 0.45))


def test_a_utility_that_promises_half_of_what_it_takes_is_noticed_and_the_setting_still_counts(gear):
    lists = [listing(gear, i, 600, 60, 130) for i in range(40)]  # (130 + 10) / (60 + 10) is a ratio of 2
    known = gear.known(outages=lists)
    bias, spread = promises.told(known).errors.first
    start, weight = np.log(known.settings["power.promise_ratio"]), known.settings["power.promise_weight"]
    # A normal mean of which the setting weighs `weight` of 40 + weight: derivation in promises.drawn
    assert bias == pytest.approx((weight * start + 40 * np.log(2)) / (weight + 40), abs=1e-3)
    assert spread < 0.65


def test_promises_that_are_not_kept_yet_draw_the_bias_up(gear):
    lists = [listing(gear, i, 200, 60, None) for i in range(10)]  # two hours overdue, every one
    known = gear.known(
        outages=[row | {"received_at": gear.ago(200)} for row in lists[:-1]] + [lists[-1] | {"received_at": gear.at}]
    )
    assert promises.told(known).errors.first[0] > np.log(known.settings["power.promise_ratio"])


def test_a_changed_promise_is_a_revised_one(gear):
    first = listing(gear, 1, 100, 60, None)
    later = first | {"estimated_restoration_at": gear.ago(-60), "received_at": gear.ago(30)}
    states = gear.known(outages=[first, later]).outages
    known = replace(gear.known(outages=[later]), outage_states=states)
    told = promises.newest(known, gear.notes(), promises.told(known)).row(0, named=True)
    assert (told["restoration_at"], told["promised_at"], told["is_revised"]) == (gear.ago(-60), gear.ago(30), True)


def test_a_promise_for_yesterday_is_marked_by_a_wider_spread(gear):
    rows = pl.DataFrame(
        {
            "circuit": ["K1", "K1"],
            "restoration_at": [gear.ago(1500), gear.ago(-60)],
            "promised_at": [gear.ago(30), gear.ago(30)],
            "is_revised": [False, False],
        }
    )
    known = gear.known()
    promise = promises.promise_of(rows, known, promises.told(known))
    assert promise.spread[0] == pytest.approx(promises.PAST_DOUBT * promise.spread[1])
    assert np.isfinite(promise.likelihood(np.array([10.0, 100.0]))).all()


def test_with_the_newest_promise_stand_those_made_before_of_the_same_outage(gear):
    first = listing(gear, 1, 100, 60, None)
    changes = [(70, -50), (30, -60)]  # told so many minutes ago: back so many minutes ago
    later = [first | {"estimated_restoration_at": gear.ago(b), "received_at": gear.ago(a)} for a, b in changes]
    elsewhere = gear.outage("K2", 40, estimated_restoration_at=gear.ago(-30), received_at=gear.ago(40))
    states = gear.known(outages=[first, *later, elsewhere]).outages
    known = replace(gear.known(outages=[later[-1], elsewhere]), outage_states=states)
    rows = pl.DataFrame({"circuit": ["K2", "K1", None]}).join(
        pl.DataFrame({"circuit": ["K1", "K2"], "restoration_at": [gear.ago(-60), gear.ago(-30)], "promised_at": [gear.ago(30), gear.ago(40)], "is_revised": [True, False]}),
        on="circuit", how="left", maintain_order="left",
    )  # fmt: skip
    promise = promises.promise_of(rows, known, promises.told(known))
    assert promise.ahead == pytest.approx([30, 60, np.nan], nan_ok=True)
    one, two = promise.earlier
    assert one.ahead == pytest.approx([np.nan, 50, np.nan], nan_ok=True)
    assert one.age == pytest.approx([np.nan, 70, np.nan], nan_ok=True)
    assert two.ahead == pytest.approx([np.nan, -40, np.nan], nan_ok=True)
    assert one.spread[1] == promise.spread[1] < two.spread[1]
