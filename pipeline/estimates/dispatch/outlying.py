"""Which sites lie far out: by how much farther they are from their neighbours than is usual in the county."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.needs import Need

MOST_NEIGHBOURS = 100  # sites among which the drive is averaged [count]; our choice


def with_distance(known: Known, needs: Sequence[Need], rovers: int) -> list[Need]:
    """The needs, each with how much farther out its site lies than is usual."""
    rows = known.sites.sort("site_id").select("site_id", "latitude", "longitude")
    places = rows.select("latitude", "longitude").to_numpy().astype(float)
    on_map = np.isfinite(places).all(axis=1)
    farther = farther_than_usual(on_the_globe(places[on_map]), rovers)
    found = dict(zip(rows["site_id"].filter(on_map), farther.tolist(), strict=True))
    return [replace(need, farther=found.get(need.site_id, 0.0)) for need in needs]


def farther_than_usual(points: NDArray[np.float64], rovers: int) -> NDArray[np.float64]:
    """By site, its mean distance to its neighbours over the county's mean of that, less 1; nought where it is nearer.

    As many neighbours count as there are sites to a rover: a rover is to be expected about as far away as they are.

    Parameters
    ----------
    points : one row a site, in any coordinates in which straight distances compare
    rovers : [count]
    """
    count = len(points)
    among = min(count - 1, MOST_NEIGHBOURS, math.ceil(count / max(1, rovers)))
    if among < 1:
        return np.zeros(count)
    distances, _ = KDTree(points).query(points, k=range(2, among + 2))  # the nearest is the site itself
    apart = np.asarray(distances).mean(axis=1)
    usual = float(apart.mean())
    return np.maximum(apart / usual - 1, 0.0) if usual > 0 else np.zeros(count)


def on_the_globe(places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Places as points on a ball of radius 1: at a county's size straight distances are as good as those along it."""
    latitude, longitude = np.radians(places).reshape(-1, 2).T
    flat = np.cos(latitude)
    return np.column_stack([flat * np.cos(longitude), flat * np.sin(longitude), np.sin(latitude)])
