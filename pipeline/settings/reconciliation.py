"""Assumptions about counts that must agree."""

from pipeline.settings.assumption import Assumption

ASSUMPTIONS = [
    Assumption(
        "reconciliation.small_difference",
        3,
        "count",
        "a difference up to this is people, a larger one a stack",
        "our choice",
        0,
        1000,
    ),
]
