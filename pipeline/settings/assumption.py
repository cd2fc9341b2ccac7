"""What an assumption is: a number that a county may change."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Assumption:
    """One number that a county may change. `low` and `high` are the values that make sense at all."""

    name: str
    default: float
    unit: str
    meaning: str
    source: str
    low: float = 0.0
    high: float = 1e9
