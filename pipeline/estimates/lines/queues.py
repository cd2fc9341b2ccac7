"""Closed forms of queueing theory: what the filter must come to in the limit, and rules for planning.

Gross, Shortle, Thompson & Harris, Fundamentals of Queueing Theory (4th ed., 2008), chapters 2, 3, 5 and 7.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from pipeline.errors import EstimateError


def erlang_b(offered_load: float, servers: int) -> float:
    """Probability that a voter finds every server busy where nobody may wait, in an M/M/c/c queue.

    Parameters
    ----------
    offered_load : arrival rate x mean service time [erlang], at least 0
    servers : stations open in parallel [count], at least 0

    Source
    ------
    Erlang's loss formula, by its recursion. Factorials overflow near 170 stations; the recursion never does.
    """
    blocked = 1.0
    for n in range(1, servers + 1):
        blocked = offered_load * blocked / (n + offered_load * blocked)
    return blocked


def erlang_c(offered_load: float, servers: int) -> float:
    """Probability that an arriving voter has to wait, in an M/M/c queue.

    Parameters
    ----------
    offered_load : arrival rate x mean service time [erlang], below `servers`
    servers : stations open in parallel [count], at least 1

    Raises
    ------
    EstimateError : if `offered_load` reaches `servers`: there is no steady state.

    Source
    ------
    Erlang's delay formula, by the recursion on Erlang B.
    """
    check_steady(offered_load, servers)
    blocked = erlang_b(offered_load, servers)
    return servers * blocked / (servers - offered_load * (1 - blocked))


def check_steady(offered_load: float, servers: int) -> None:
    """Raise where the load reaches the servers."""
    if servers < 1 or not 0 <= offered_load < servers:
        raise EstimateError(
            f"The offered load of {offered_load:.2f} erlang is not below the {servers} open stations. "
            "Show the queue as growing."
        )


def mean_wait(arrivals_per_minute: float, service_minutes: float, servers: int) -> float:
    """Mean wait before service in an M/M/c queue, Wq [min]."""
    load = arrivals_per_minute * service_minutes
    return erlang_c(load, servers) * service_minutes / (servers - load)


def mean_waiting(arrivals_per_minute: float, service_minutes: float, servers: int) -> float:
    """Mean number waiting in an M/M/c queue, Lq [count]: Little (1961), L = lambda W."""
    return arrivals_per_minute * mean_wait(arrivals_per_minute, service_minutes, servers)


def chance_wait_over(minutes: float, arrivals_per_minute: float, service_minutes: float, servers: int) -> float:
    """Probability that the wait before service passes `minutes` in an M/M/c queue, first come first served."""
    load = arrivals_per_minute * service_minutes
    return erlang_c(load, servers) * math.exp(-(servers - load) * minutes / service_minutes)


def pollaczek_khinchine(arrivals_per_minute: float, service_minutes: float, service_cv: float) -> float:
    """Mean wait before service in an M/G/1 queue, Wq [min].

    Source
    ------
    Pollaczek-Khinchine: Wq = lambda E[S^2] / (2 (1 - rho)), with E[S^2] = s^2 (1 + cv^2).
    """
    load = arrivals_per_minute * service_minutes
    check_steady(load, 1)
    return arrivals_per_minute * service_minutes**2 * (1 + service_cv**2) / (2 * (1 - load))


def allen_cunneen(
    arrivals_per_minute: float, service_minutes: float, servers: int, arrival_cv2: float, service_cv2: float
) -> float:
    """Mean wait before service in a G/G/c queue, Wq [min]; an approximation, good to about a tenth.

    Source
    ------
    Allen-Cunneen: the M/M/c wait times (ca^2 + cs^2) / 2. Allen, A. O. (1990), Probability, Statistics and Queueing
    Theory, 2nd ed.; the formula is quoted from memory, its values are checked in the tests.
    """
    return mean_wait(arrivals_per_minute, service_minutes, servers) * (arrival_cv2 + service_cv2) / 2


def queue_generator(
    arrivals_per_minute: float, services_per_minute: float, servers: int, most: int
) -> NDArray[np.float64]:
    """Generator of the M/M/c queue as a birth-death chain on 0..most in the system [1/min]."""
    up = np.full(most, float(arrivals_per_minute))
    down = services_per_minute * np.minimum(np.arange(1, most + 1), servers)
    generator = np.diag(up, 1) + np.diag(down, -1)
    return np.asarray(generator - np.diag(generator.sum(axis=1)))


def in_system_after(start: NDArray[np.float64], generator: NDArray[np.float64], minutes: float) -> NDArray[np.float64]:
    """Distribution of the number in the system `minutes` later: start x exp(Q t)."""
    return np.asarray(start @ expm(generator * minutes))


def fluid_backlog(arrivals_per_minute: float, stopped_minutes: float) -> float:
    """People waiting when a stopped server starts again, in the fluid limit [count]: lambda D."""
    return arrivals_per_minute * stopped_minutes


def fluid_clearing(arrivals_per_minute: float, services_per_minute: float, stopped_minutes: float) -> float:
    """Minutes from restart until the backlog is gone, in the fluid limit [min]: lambda D / (mu - lambda).

    Raises
    ------
    EstimateError : if arrivals are no slower than service: it never clears.
    """
    if arrivals_per_minute >= services_per_minute:
        raise EstimateError(
            f"{arrivals_per_minute:.2f} arrivals a minute against {services_per_minute:.2f} services: "
            "the backlog never clears. Show the queue as growing."
        )
    return fluid_backlog(arrivals_per_minute, stopped_minutes) / (services_per_minute - arrivals_per_minute)


def stations_needed(
    arrivals_per_minute: float, service_minutes: float, limit_minutes: float = 30.0, chance: float = 0.05
) -> int:
    """Fewest stations at which the chance to wait over `limit_minutes` stays below `chance`, in an M/M/c queue.

    The 30 minutes are the Presidential Commission on Election Administration's (2014); the 5 % are our choice.
    """
    servers = max(1, math.floor(arrivals_per_minute * service_minutes) + 1)
    while chance_wait_over(limit_minutes, arrivals_per_minute, service_minutes, servers) >= chance:
        servers += 1
    return servers
