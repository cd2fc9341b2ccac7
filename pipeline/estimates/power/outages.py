"""How long an outage lasts: survival given its age and the promise of the utility.

The length is lognormal, so the longer an outage has lasted, the longer it will last. A promise is evidence with an
error of its own, never the answer. Method and limits: docs/methods/power.md.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from pipeline.settings import Settings

Floats = NDArray[np.float64]
STEPS = 160  # points of the grid of minutes ahead; twice as many change a chance by less than 0.002 [count]
FAR_MINUTES = 2880.0  # end of the grid: two days [min]


@dataclass(frozen=True)
class Length:
    """The lognormal length of an outage: `mu` of the logarithm of minutes, `sigma`."""

    mu: float
    sigma: float

    @classmethod
    def of_mean(cls, mean_minutes: float, sigma: float) -> "Length":
        """The lognormal of a given mean [min] and spread of the logarithm."""
        return cls(float(np.log(mean_minutes)) - sigma**2 / 2, sigma)

    def survival(self, minutes: ArrayLike) -> Floats:
        """Probability that an outage lasts longer than so many minutes."""
        t = np.maximum(np.asarray(minutes, float), 1e-9)
        return np.asarray(special.ndtr((self.mu - np.log(t)) / self.sigma), float)

    def conditional(self, age: ArrayLike, ahead: ArrayLike) -> Floats:
        """Probability that an outage `age` minutes old lasts `ahead` minutes more."""
        past = np.maximum(np.asarray(age, float), 0.0)
        return np.asarray(self.survival(past + np.asarray(ahead, float)) / self.survival(past), float)


def learnt(ended_minutes: ArrayLike, running_minutes: ArrayLike, settings: Settings) -> Length:
    """The length of outages: the published mean, drawn to what today's outages took.

    The published length weighs as much as `power.outage_prior_weight` outages. Those still running are censored:
    leaving them out would teach that outages are short. Expectation-maximisation: a running outage stands for the
    mean and variance of a normal (of the logarithm) cut off at its age.

    Source: Dempster, Laird and Rubin, J. R. Statist. Soc. B 39 (1977), section 4.1 (censored data).
    """
    prior = Length.of_mean(settings["power.outage_minutes"], settings["power.outage_sigma"])
    weight = settings["power.outage_prior_weight"]
    ended = np.log(np.maximum(np.asarray(ended_minutes, float), 1.0))
    cut = np.log(np.maximum(np.asarray(running_minutes, float), 1.0))
    mu, sigma, total = prior.mu, prior.sigma, weight + ended.size + cut.size
    for _ in range(60):
        beyond = (cut - mu) / sigma
        ratio = np.exp(-(beyond**2) / 2 - special.log_ndtr(-beyond)) / np.sqrt(2 * np.pi)
        mean, variance = mu + sigma * ratio, sigma**2 * np.maximum(1 + beyond * ratio - ratio**2, 0.0)
        centre = float((weight * prior.mu + ended.sum() + mean.sum()) / total)
        squares = weight * (prior.sigma**2 + (prior.mu - centre) ** 2) + ((ended - centre) ** 2).sum()
        mu, sigma = centre, float(np.sqrt((squares + (variance + (mean - centre) ** 2).sum()) / total))
    return Length(mu, sigma)


def grid() -> Floats:
    """Minutes ahead, dense at first: 0 to two days."""
    return np.concatenate([[0.0], np.geomspace(0.5, FAR_MINUTES, STEPS - 1)])


def remaining_survival(
    length: Length, age: Floats, promised: Floats, promise_age: Floats, settings: Settings
) -> tuple[Floats, Floats]:
    """The grid [min] and, an outage a row, the probability that it outlasts each point from now.

    Parameters
    ----------
    age : minutes since each outage began
    promised : minutes from now to the promised restoration (negative: already past); NaN without a promise
    promise_age : minutes since the promise was made

    The weight of each possible length is the lognormal's, times the likelihood of the promise: the logarithm of
    (true minutes from the promise) / (promised minutes) is normal, its median and spread settings.
    """
    u = grid()
    survival = length.survival(np.maximum(age, 0.0)[:, None] + u[None, :])
    cells = -np.diff(survival, axis=1)
    middle = (u[1:] + u[:-1]) / 2
    cells = cells * promise_likelihood(middle, promised, promise_age, settings)
    beyond = survival[:, -1] * promise_likelihood(np.array([FAR_MINUTES]), promised, promise_age, settings)[:, 0]
    total = cells.sum(axis=1) + beyond
    # A promise so far off every length that nothing is left: the length alone counts.
    lost = total <= 1e-280
    if lost.any():
        cells[lost], beyond[lost] = -np.diff(survival[lost], axis=1), survival[lost, -1]
        total = cells.sum(axis=1) + beyond
    ahead = np.concatenate([np.zeros((len(cells), 1)), np.cumsum(cells, axis=1)], axis=1)
    return u, np.clip(1 - ahead / np.maximum(total, 1e-300)[:, None], 0.0, 1.0)


def promise_likelihood(ahead: Floats, promised: Floats, promise_age: Floats, settings: Settings) -> Floats:
    """Likelihood of each outage's promise (rows) if power returns `ahead` minutes from now (columns); 1 without one."""
    given = promise_age + promised  # minutes from the making of the promise to the promised time
    known = np.isfinite(given)
    promise = np.log(np.maximum(np.where(known, given, 1.0), 1.0))[:, None]
    truth = np.log(np.maximum(np.where(known, promise_age, 0.0)[:, None] + ahead[None, :], 1.0))
    off = (truth - promise - np.log(settings["power.promise_ratio"])) / settings["power.promise_sigma"]
    return np.where(known[:, None], np.exp(-0.5 * off**2), 1.0)
