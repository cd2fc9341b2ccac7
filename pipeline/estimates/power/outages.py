"""How long an outage lasts: survival given its age, its size and cause, and the promise of the utility.

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
SHARED = 0.5  # of the variance of a promise's error, what all promises of one outage share; our choice [-]
SETTLED = 1e-12  # a fit that moves by less has been found
FAR_MINUTES = 2880.0  # end of the grid: two days [min]
# A day whose logged SAIDI is 2.5 sd over its mean is a major event day (IEEE Std 1366, the 2.5-beta method): of a
# normal that is 0.6 % of the days.
MAJOR_DAYS = float(special.ndtr(-2.5))
# A local storm takes several circuits of one county and is yet no major event day of the whole utility; our choice [-].
MAJOR_IF_MANY = 0.5
# Interruptions of a customer in a year outside major event days, and in all [1/year]; EIA, Today in Energy of
# 30 November 2018, for 2017 (Electric Power Annual, Table 11.1, SAIFI of 2022: 1.090 and 1.426).
ORDINARY_PER_YEAR, ALL_PER_YEAR = 1.0, 1.4


@dataclass(frozen=True)
class Length:
    """The lognormal length of an outage: `mu` of the logarithm of minutes, `sigma`; both may be arrays."""

    mu: ArrayLike
    sigma: ArrayLike

    @classmethod
    def of_mean(cls, mean_minutes: float, sigma: float) -> "Length":
        """The lognormal of a given mean [min] and spread of the logarithm."""
        return cls(float(np.log(mean_minutes)) - sigma**2 / 2, sigma)

    def survival(self, minutes: ArrayLike) -> Floats:
        """Probability that an outage lasts longer than so many minutes."""
        t = np.maximum(np.asarray(minutes, float), 1e-9)
        return np.asarray(special.ndtr((np.asarray(self.mu) - np.log(t)) / np.asarray(self.sigma)), float)

    def conditional(self, age: ArrayLike, ahead: ArrayLike) -> Floats:
        """Probability that an outage `age` minutes old lasts `ahead` minutes more."""
        past = np.maximum(np.asarray(age, float), 0.0)
        return np.asarray(self.survival(past + np.asarray(ahead, float)) / self.survival(past), float)


@dataclass(frozen=True)
class Seen:
    """Outages of the day as they stand at T: minutes so far, whether they are over, and what is known of each.

    `traits` has a row an outage and a column a trait (size, each cause), centred on nought; none: no columns.
    `promise`: what is promised of each, from when `minutes` were counted; of those over it says nothing more.
    """

    minutes: Floats
    is_over: NDArray[np.bool_]
    traits: Floats
    promise: "Promise | None" = None

    @classmethod
    def plain(cls, ended: ArrayLike, running: ArrayLike) -> "Seen":
        """Outages of which nothing but their minutes is known."""
        one, two = np.asarray(ended, float), np.asarray(running, float)
        over = np.concatenate([np.ones(one.size, bool), np.zeros(two.size, bool)])
        return cls(np.concatenate([one, two]), over, np.zeros((over.size, 0)))


@dataclass(frozen=True)
class Fitted:
    """What the day's outages say of the length: `effects` (the first is the level), their covariance, the spread.

    others : by outage, the length as all but itself tell of it
    """

    effects: Floats
    covariance: Floats
    sigma: float
    others: Length

    @property
    def length(self) -> Length:
        """The length of an outage of no traits, without the doubt of the fit."""
        return Length(float(self.effects[0]), self.sigma)

    def length_of(self, traits: Floats) -> Length:
        """The length of outages with these traits (rows), the doubt of the fit added to the spread."""
        x = np.column_stack([np.ones(len(traits)), traits])
        doubt = np.einsum("ij,jk,ik->i", x, self.covariance, x)
        return Length(x @ self.effects, np.sqrt(self.sigma**2 + doubt))


def fitted(seen: Seen, mean_minutes: float, settings: Settings) -> Fitted:
    """Censored regression of the logarithm of the length, each effect drawn to its prior (partial pooling).

    The published length weighs as much as `power.outage_prior_weight` outages; the effect of a size or a cause has
    mean nought and the spread `power.outage_effect`. Outages still running are censored: leaving them out would teach
    that outages are short. Expectation-maximisation: a running outage stands for the mean and variance of a normal
    (of the logarithm) cut off at its age, weighed by the likelihood of its promises where there are any.

    Source: Dempster, Laird and Rubin, J. R. Statist. Soc. B 39 (1977), section 4.1 (censored data).
    """
    prior = Length.of_mean(mean_minutes, settings["power.outage_sigma"])
    weight, first = settings["power.outage_prior_weight"], float(np.asarray(prior.mu))
    x = np.column_stack([np.ones(len(seen.minutes)), seen.traits])
    y = np.log(np.maximum(seen.minutes, 1.0))
    start = np.zeros(x.shape[1])
    start[0] = first
    alike = spread_of_a_day(settings)
    effects, sigma = start.copy(), alike
    pull = np.full(x.shape[1], 1 / settings["power.outage_effect"] ** 2)
    covariance = np.diag(1 / pull)
    promised = Promised.of(seen)
    for _ in range(60):
        before = effects, sigma
        mean, variance = cut_off(y, x @ effects, sigma)
        mean[promised.rows], variance[promised.rows] = promised.moments((x @ effects)[promised.rows], sigma)
        mean, variance = np.where(seen.is_over, y, mean), np.where(seen.is_over, 0.0, variance)
        pull[0] = weight / sigma**2
        covariance = np.linalg.inv(x.T @ x / sigma**2 + np.diag(pull))
        effects = covariance @ (x.T @ mean / sigma**2 + pull * start)
        squares = weight * (alike**2 + (first - effects[0]) ** 2)
        squares += float((variance + (mean - x @ effects) ** 2).sum())
        sigma = float(np.sqrt(squares / (weight + y.size)))
        if abs(sigma - before[1]) < SETTLED and np.abs(effects - before[0]).max() < SETTLED:
            break
    return Fitted(effects, covariance, sigma, others(x, mean, variance, effects, covariance, sigma, squares, weight))


def spread_of_a_day(settings: Settings) -> float:
    """Spread of the logarithm of lengths about the level of one day, before any outage of it is seen.

    The published mean and the setting's spread are of outages everywhere. That the level of a day is not known (it
    weighs as much as so many outages) is a part of that spread: added to it, the mean would be over the published one.
    """
    weight = settings["power.outage_prior_weight"]
    return float(settings["power.outage_sigma"] * np.sqrt(weight / (weight + 1)))


def others(
    x: Floats,
    mean: Floats,
    variance: Floats,
    effects: Floats,
    covariance: Floats,
    sigma: float,
    squares: float,
    weight: float,
) -> Length:
    """The length of each outage by the fit without it, the doubt of that fit added to the spread.

    An outage is judged by its own age and promises afterwards: the length that these have already moved would count
    them twice. The least squares without a row, in closed form.

    Source: Cook and Weisberg, Residuals and Influence in Regression (1982), section 2.2, from memory; a test holds it
    to numpy's least squares with each outage left out.
    """
    own = np.einsum("ij,jk,ik->i", x, covariance, x) / sigma**2
    mu = (x @ effects - own * mean) / (1 - own)
    left = (squares - variance - (mean - x @ effects) ** 2 / (1 - own)) / (weight + len(x) - 1)
    # The spread without it, and the doubt of the fit
    return Length(mu, np.sqrt(left * (1 + own / (1 - own))))


def cut_off(low: Floats, mu: Floats, sigma: ArrayLike) -> tuple[Floats, Floats]:
    """Mean and variance of a normal that is known to lie above `low`."""
    spread = np.asarray(sigma, float)
    beyond = (low - mu) / spread
    ratio = np.exp(-(beyond**2) / 2 - special.log_ndtr(-beyond)) / np.sqrt(2 * np.pi)
    return mu + spread * ratio, spread**2 * np.maximum(1 + beyond * ratio - ratio**2, 0.0)


@dataclass(frozen=True)
class Promised:
    """Running outages of which something is promised (`rows` of `Seen`): a grid of the logarithm of their length.

    edges, middle : of the cells of each outage's grid; likely : of its promises, at the middles
    """

    rows: NDArray[np.int64]
    edges: Floats
    middle: Floats
    likely: Floats

    @classmethod
    def of(cls, seen: Seen) -> "Promised":
        """Those of the outages seen."""
        u = grid()
        ahead = (u[1:] + u[:-1]) / 2
        if seen.promise is None:
            none = np.zeros((0, len(u)))
            return cls(np.zeros(0, np.int64), none, none[:, 1:], none[:, 1:])
        likely = seen.promise.likelihood(ahead)
        rows = np.flatnonzero(~seen.is_over & (likely.min(axis=1) < 1.0) & (likely.max(axis=1) > 0.0))
        age = np.maximum(seen.minutes[rows], 1.0)[:, None]
        return cls(rows, np.log(age + u), np.log(age + ahead), likely[rows])

    def moments(self, mu: Floats, sigma: float) -> tuple[Floats, Floats]:
        """Mean and variance of the logarithm of each length: a normal cut off at its age, weighed by its promises."""
        chance = np.diff(special.ndtr((self.edges - mu[:, None]) / sigma), axis=1) * self.likely
        whole = np.maximum(chance.sum(axis=1), 1e-300)
        mean = (chance * self.middle).sum(axis=1) / whole
        return mean, (chance * self.middle**2).sum(axis=1) / whole - mean**2


def chance_major(many_out: int, many_circuits: int) -> float:
    """Probability that this is a major event day, by the circuits that have been out today.

    Bayes: outages come by a Poisson law, at the ordinary rate or, on a major event day, at the rate that makes up
    the difference of the two published frequencies over the days that the 2.5-beta method expects.
    """
    circuits = max(many_circuits, many_out, 1)
    days = 365 * MAJOR_DAYS
    ordinary, major = ORDINARY_PER_YEAR / 365, (ALL_PER_YEAR - ORDINARY_PER_YEAR) / days
    odds = np.log(MAJOR_DAYS / (1 - MAJOR_DAYS))
    odds += many_out * np.log((ordinary + major) / ordinary) - circuits * major
    return MAJOR_IF_MANY * float(special.expit(odds))


def grid() -> Floats:
    """Minutes ahead, dense at first: 0 to two days."""
    return np.concatenate([[0.0], np.geomspace(0.5, FAR_MINUTES, STEPS - 1)])


@dataclass(frozen=True)
class Promise:
    """Promises of restoration, an outage a row; NaN without one.

    ahead : minutes from now to the promised time (negative: already past)
    age : minutes since it was made
    bias, spread : mean and sd of ln((true + blur) / (promised + blur)), both from when it was made
    earlier : promises of the same outages made before, which share `SHARED` of their error's variance
    """

    ahead: Floats
    age: Floats
    bias: Floats
    spread: Floats
    blur: float
    earlier: tuple["Promise", ...] = ()

    def likelihood(self, ahead: Floats) -> Floats:
        """Likelihood of an outage's promises (rows) if power returns `ahead` minutes from now (columns); 1 without one.

        Source: the density of normals that are all correlated by `SHARED`, their covariance inverted in closed form.
        """
        errors = [promise.errors(ahead) for promise in (self, *self.earlier)]
        many = sum((promise.is_made for promise in self.earlier), self.is_made.astype(float))[:, None]
        total, squares = sum(errors), sum(z**2 for z in errors)
        own = 1 - SHARED
        return np.asarray(np.exp(-0.5 * (squares - SHARED / (own + many * SHARED) * total**2) / own), float)

    @property
    def is_made(self) -> NDArray[np.bool_]:
        """Which outages have one."""
        return np.isfinite(self.age + self.ahead)

    def errors(self, ahead: Floats) -> Floats:
        """By how many spreads each promise is off if power returns so many minutes from now; nought without one."""
        known = self.is_made
        given = np.where(known, self.age + self.ahead, 0.0)
        truth = np.where(known, self.age, 0.0)[:, None] + ahead[None, :]
        off = np.log(truth + self.blur) - np.log(np.maximum(given, 0.0) + self.blur)[:, None]
        return np.where(known[:, None], (off - self.bias[:, None]) / self.spread[:, None], 0.0)


def remaining_survival(length: Length, age: Floats, promise: Promise) -> tuple[Floats, Floats]:
    """The grid [min] and, an outage a row, the probability that it outlasts each point from now.

    The weight of each possible length is the lognormal's, `age` minutes being gone, times the promise's likelihood.
    """
    u = grid()
    rows = Length(*(np.broadcast_to(np.asarray(v, float), age.shape)[:, None] for v in (length.mu, length.sigma)))
    survival = rows.survival(np.maximum(age, 0.0)[:, None] + u[None, :])
    middle = (u[1:] + u[:-1]) / 2
    plain = -np.diff(survival, axis=1)
    cells = plain * promise.likelihood(middle)
    beyond = survival[:, -1] * promise.likelihood(np.array([FAR_MINUTES]))[:, 0]
    total = cells.sum(axis=1) + beyond
    # A promise so far off every length that nothing is left: the length alone counts.
    lost = total <= 1e-280
    if lost.any():
        cells[lost], beyond[lost] = plain[lost], survival[lost, -1]
        total = cells.sum(axis=1) + beyond
    ahead = np.concatenate([np.zeros((len(cells), 1)), np.cumsum(cells, axis=1)], axis=1)
    return u, np.clip(1 - ahead / np.maximum(total, 1e-300)[:, None], 0.0, 1.0)
