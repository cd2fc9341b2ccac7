"""Answers made of invented frames, for tests of the pages."""

from collections.abc import Callable
from types import SimpleNamespace

import polars as pl
import pytest

from pipeline.contracts.estimates import ESTIMATES
from pipeline.contracts.known import empty
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.standby import standby


@pytest.fixture
def answers_of() -> Callable[..., SimpleNamespace]:
    """Answers from the inputs of a dispatch: its plan and tickets; the other estimates as given, else empty."""

    def build(inputs: tuple, **more: pl.DataFrame) -> SimpleNamespace:
        frames = {name: empty(model) for name, model in ESTIMATES.items()}
        plan = dispatch(*inputs)
        waiting = standby(inputs[0], inputs[1], inputs[2], plan)
        frames |= {"tickets": inputs[1], "power": inputs[3], "dispatch": plan, "standby": waiting} | more
        return SimpleNamespace(**frames)

    return build
