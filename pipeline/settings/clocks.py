"""Assumptions about the clocks of units."""

from pipeline.settings.assumption import Assumption

ASSUMPTIONS = [
    Assumption("clocks.correct_above_minutes", 5, "min", "a unit's clock is corrected when off by more", "our choice"),
]
