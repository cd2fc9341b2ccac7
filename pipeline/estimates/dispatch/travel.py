"""How long a drive takes: great circle, a detour factor, one speed, and the minutes lost at both ends."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

EARTH_RADIUS_KM = 6371.0088  # mean radius [km], IUGG 1980 (from memory)
NO_PLACE_MINUTES = 60.0  # a drive to or from a place without usable coordinates [min]; our choice

Place = tuple[float, float]


def great_circle_km(start: NDArray[np.float64], end: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distances between each place of `start` and each of `end` [km], places as rows of latitude, longitude [degrees].

    Source: haversine formula, Sinnott, "Virtues of the Haversine", Sky & Telescope 68 (1984).
    """
    p, q = np.radians(start)[:, None, :], np.radians(end)[None, :, :]
    half = (q - p) / 2
    h = np.sin(half[..., 0]) ** 2 + np.cos(p[..., 0]) * np.cos(q[..., 0]) * np.sin(half[..., 1]) ** 2
    return 2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(h, 0, 1)))


def drive_minutes(start: Sequence[Place], end: Sequence[Place], settings: Mapping[str, float]) -> NDArray[np.float64]:
    """Drives between each place of `start` and each of `end` [min]; none within one place.

    A place that is not on the map (no coordinates, not finite) is `NO_PLACE_MINUTES` from everywhere.
    """
    a, b = np.asarray(start, float).reshape(-1, 2), np.asarray(end, float).reshape(-1, 2)
    if not len(a) or not len(b):
        return np.zeros((len(a), len(b)))
    with np.errstate(invalid="ignore"):
        kilometres = great_circle_km(a, b)
    minutes = kilometres * settings["dispatch.detour_factor"] / settings["dispatch.speed_kmh"] * 60
    minutes += settings["dispatch.travel_extra_minutes"]
    minutes[(a[:, None, :] == b[None, :, :]).all(axis=2)] = 0.0
    return np.where(np.isfinite(minutes), minutes, NO_PLACE_MINUTES)
