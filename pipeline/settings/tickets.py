"""Assumptions about tickets."""

from pipeline.settings.assumption import Assumption

ASSUMPTIONS = [
    Assumption(
        "tickets.site_threshold", 0.8, "probability", "a site is answered from this probability up", "our choice", 0, 1
    ),
    Assumption(
        "tickets.category_threshold",
        0.6,
        "probability",
        "what a ticket is about is asked below this probability",
        "our choice",
        0,
        1,
    ),  # fmt: skip
    Assumption(
        "tickets.horizon_minutes", 60, "min", "span over which voter-minutes at risk are counted", "our choice", 1
    ),
]
