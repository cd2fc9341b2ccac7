"""Closed-form rules for how many servers a day needs, to be held against the model."""

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.estimates.lines.queues import stations_needed

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
HALF = 0.5  # of the time that servers could work at most: Edelstein & Edelstein's rule


def queue_stop(voters: float, service_minutes: float, open_minutes: float) -> int:
    """Servers by the queue stop rule: each serves at most half the voters that it could without a break.

    Parameters
    ----------
    voters : expected on the day [count]
    service_minutes : mean time of one voter at this step [min]
    open_minutes : hours of voting [min]

    Source
    ------
    Edelstein, W. A. & Edelstein, A. D. (2010), Queuing and elections: long lines, DREs and paper ballots, EVT/WOTE '10.
    The rule as its authors summarise it: the minutes of the voting day over the time for each process, times one half,
    is the most voters that one station should serve. Read second-hand.
    """
    if voters <= 0 or open_minutes <= 0:
        return 1
    return max(1, math.ceil(round(voters * service_minutes / (HALF * open_minutes), 9)))


def closed_forms(
    expected: Floats, peak: Floats, open_minutes: Ints, services: dict[str, Floats]
) -> dict[str, Ints]:  # fmt: skip
    """Servers by Erlang C at the busiest hour's arrivals, and by the queue stop rule, for each thing that serves.

    Parameters
    ----------
    expected : voters on the day, one a site [count]
    peak : arrivals in the busiest hour [1/min]
    open_minutes : hours of voting [min]
    services : mean service by what serves [min]
    """
    found: dict[str, Ints] = {}
    for name, minutes in services.items():
        pairs = list(zip(expected, peak, open_minutes, minutes, strict=True))
        found[f"{name}_erlang"] = np.array([stations_needed(max(p, 0.0), s) for _, p, _, s in pairs], np.int64)
        found[f"{name}_queue_stop"] = np.array([queue_stop(v, s, o) for v, _, o, s in pairs], np.int64)
    return found
