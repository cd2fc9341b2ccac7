"""When voters come: the published hourly profile on each site's hours, and the county's own day as it shows.

Stewart, C. (2015), Managing polling place resources, Table 3 (2012 survey): share of arrivals by hour.
"""

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


def county_level(at: Floats, ratio: Floats, noise: Floats, grid: Floats, common_sd: float) -> tuple[Floats, Floats]:
    """The log of (arrivals / expected) by minute of the grid, from noisy logs at some times; pools x minutes.

    Parameters
    ----------
    at : times of the ratios [min]
    ratio, noise : logs of the ratios seen and their variances, pools x times; infinite variance: nothing was seen
    grid : minutes to answer for [min]
    common_sd : spread of the day's own level in the log

    Gaussian-process regression (Rasmussen & Williams 2006, eq. 2.23 and 2.24): a level that holds all day and an error
    of the profile that fades within the hour. The forecast therefore returns to the day's level.
    """

    def kernel(a: Floats, b: Floats) -> Floats:
        apart = np.abs(a[:, None] - b[None, :])
        return np.asarray(common_sd**2 + PROFILE_SD**2 * np.exp(-apart / PROFILE_MINUTES))

    trust = 1.0 / np.sqrt(noise)  # scaled by this the system stays finite where nothing was seen
    own, cross = kernel(at, at), kernel(grid, at)
    system = np.eye(len(at)) + trust[:, :, None] * own * trust[:, None, :]
    solved = np.linalg.solve(system, trust[:, :, None] * np.swapaxes(cross[None], 1, 2))
    gain = np.swapaxes(solved, 1, 2) * trust[:, None, :]
    mean = (gain * ratio[:, None, :]).sum(axis=2)
    variance = common_sd**2 + PROFILE_SD**2 - (gain * cross[None]).sum(axis=2)
    return mean, np.maximum(variance, 0.0)
