"""The review's part on waits and their causes."""

from types import SimpleNamespace

import polars as pl

from pipeline.contracts.asked import Waits
from pipeline.contracts.known import empty
from pipeline.outputs.review_voting import waits_by_cause

KNOWN = SimpleNamespace(sites=pl.DataFrame({"site_id": ["S1", "S2"], "name": ["Marlpit Grange", None]}))
PARTS = {"all": 4123.0, "stations-short": 0.2, "scanner-stopped": 1234.0, "power": 0.0, "late-opening": -30.0}


def rows(site_id: str, times: float) -> list[tuple]:
    return [
        (site_id, cause, x * times * 1.5, x * times, x * times / 2, x * times * 2, 0.5, "roster")
        for cause, x in PARTS.items()
    ]


def section(*sites):
    return waits_by_cause(KNOWN, pl.DataFrame(list(sites), schema=dict(empty(Waits).schema), orient="row"))


def test_the_longest_waits_come_first_with_what_each_cause_took_of_them():
    found = section(*rows("S2", 0.1), *rows("S1", 1.0))
    assert "About 4,500 voter-minutes at 2 sites" in found.lead and "do not add up" in found.lead
    first, second = found.rows
    assert first == ("Marlpit Grange", "4,100 (2,100 to 8,200)", "–", "1,200 (620 to 2,500)", "–", "-30 (-15 to -60)")
    assert second[:2] == ("S2", "410 (210 to 820)")


def test_before_the_first_opening_nobody_has_waited():
    found = section()
    assert found.rows == [] and "No site was due to open" in found.empty
