"""Rows for the estimates of power, which read condensed reports."""

from types import SimpleNamespace

import pytest

from pipeline.estimates.power.condense import condensed


@pytest.fixture
def gear(gear) -> SimpleNamespace:
    """The makers of rows; `known` with its reports condensed, `raw` as they came."""
    return SimpleNamespace(**vars(gear) | {"known": lambda **rows: condensed(gear.known(**rows)), "raw": gear.known})
