"""When voters come: the published hourly profile on each site's hours, and the county's own day as it shows.

Stewart, C. (2015), Managing polling place resources, Table 3 (2012 survey): share of arrivals by hour.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Share of arrivals by local hour [%], Stewart 2015, Table 3. "Before 8" (15.6) is spread over 6 and 7, "after 19" (2.0)
# stands for the hour from 19; hours outside take the nearest.
HOURLY_SHARE = np.array(
    [7.8] * 8 + [8.7, 9.5, 11.2, 8.7, 5.4, 7.2, 6.7, 6.3, 6.7, 6.8, 5.3] + [2.0] * 5, dtype=np.float64
)
OPENING_CROWD_MINUTES = 45  # over which the crowd before opening gathers [min]; our choice
PROFILE_SD, PROFILE_MINUTES = 0.2, 60.0  # error of the hourly profile in the log, and over how long [min]; our choice
SMOOTH_MINUTES = 30  # the hourly steps are smoothed over this [min]; our choice


def hourly_shares(minutes: NDArray[np.int64]) -> Floats:
    """Relative arrival rate at minutes after local midnight, the hourly steps smoothed."""
    steps = np.repeat(HOURLY_SHARE, 60)
    kernel = np.ones(SMOOTH_MINUTES) / SMOOTH_MINUTES
    edge = SMOOTH_MINUTES
    padded = np.concatenate([np.full(edge, steps[0]), steps, np.full(edge, steps[-1])])
    smooth = np.convolve(padded, kernel, mode="same")[edge:-edge]
    return np.asarray(smooth[np.mod(minutes, 1440)])


def arrival_rates(
    expected: Floats, opens: NDArray[np.int64], closes: NDArray[np.int64], minutes: NDArray[np.int64], crowd: float
) -> Floats:
    """Expected arrivals per minute, sites x minutes.

    Parameters
    ----------
    expected : voters expected on the day [count], one a site
    opens, closes : hours of voting [min after local midnight], one a site
    minutes : the grid [min after local midnight]
    crowd : share of the expected voters in line at opening
    """
    share = hourly_shares(minutes)[None, :]
    is_open = (minutes[None, :] >= opens[:, None]) & (minutes[None, :] < closes[:, None])
    whole = np.arange(0, 2 * 1440, dtype=np.int64)
    whole_share = hourly_shares(whole)
    open_whole = (whole[None, :] >= opens[:, None]) & (whole[None, :] < closes[:, None])
    total = (open_whole * whole_share[None, :]).sum(axis=1)
    during = np.where(is_open, share, 0.0) / np.maximum(total, 1e-9)[:, None] * (1 - crowd)
    is_before = (minutes[None, :] < opens[:, None]) & (minutes[None, :] >= opens[:, None] - OPENING_CROWD_MINUTES)
    before = np.where(is_before & (closes > opens)[:, None], crowd / OPENING_CROWD_MINUTES, 0.0)
    return np.asarray((during + before) * expected[:, None])


@dataclass(frozen=True)
class DayFactor:
    """The county's day: each site's prior for the log of (arrivals / expected), learnt from the other sites."""

    mean: Floats
    sd: Floats
    sites_used: int


def day_factors(
    seen: Floats, expected: Floats, minutes: Floats, common_sd: float, site_sd: float, burst_var: float
) -> DayFactor:
    """Each site's prior log factor from what the other sites let through so far.

    Parameters
    ----------
    seen, expected : voters let through and voters expected over the same minutes [count]; 0 expected: no evidence
    minutes : how long each site was seen [min]
    common_sd, site_sd : spread of the county's and of a site's own factor in the log
    burst_var : variance of a burst in the log times twice its length [min]; its mean over D minutes has this over D

    Normal-normal pooling; a site is left out of its own prior, so that its data are not used twice. Saturated sites
    let through fewer than arrive: the pool is a weighted mean of logs held to twofold either side of their median.
    The profile's own error is common to all sites: it stays however many report, and fades as the day goes on.
    """
    has = expected > 5
    ratio = np.log((seen + 1.0) / (expected + 1.0), where=has, out=np.zeros_like(seen))
    if has.any():
        middle = float(np.median(ratio[has]))
        ratio = np.clip(ratio, middle - np.log(2.0), middle + np.log(2.0))
    noise = site_sd**2 + 1.0 / np.maximum(expected, 1.0) + burst_var / np.maximum(minutes, 1.0)
    weight = np.where(has, 1.0 / noise, 0.0)
    longest = float(np.median(minutes[has])) if has.any() else 0.0
    profile = PROFILE_SD**2 * PROFILE_MINUTES / max(longest, PROFILE_MINUTES)
    weights, sums = weight.sum() - weight, (weight * ratio).sum() - weight * ratio
    pooled, doubt = sums / np.maximum(weights, 1e-9), 1.0 / np.maximum(weights, 1e-9) + profile
    kept = common_sd**2 / (common_sd**2 + doubt)
    return DayFactor(kept * pooled, np.sqrt(kept * doubt + site_sd**2), int(has.sum()))
