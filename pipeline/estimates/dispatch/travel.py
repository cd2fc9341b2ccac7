"""How long a drive takes: great circle, a detour factor, the speed of the hour, and the minutes lost at both ends."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.settings import Settings

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


@dataclass(frozen=True)
class Roads:
    """Drives between places: the county's own table where it has a line, else the great circle."""

    settings: Mapping[str, float]
    table: Mapping[tuple[str, str], float] = field(default_factory=dict)  # site to site [min]

    def minutes(
        self, start: Sequence[tuple[Place, str | None]], end: Sequence[tuple[Place, str | None]]
    ) -> NDArray[np.float64]:
        """Drives between each of `start` and each of `end` [min]; a place comes with its site, where it is one."""
        found = drive_minutes([place for place, _ in start], [place for place, _ in end], self.settings)
        if self.table:
            columns: dict[str, list[int]] = {}
            for column, (_, site_id) in enumerate(end):
                if site_id is not None:
                    columns.setdefault(site_id, []).append(column)
            for row, (_, origin) in enumerate(start):
                for site_id, where in columns.items() if origin is not None else ():
                    told = self.table.get((str(origin), site_id))
                    if told is not None:
                        found[row, where] = told
        return found


def places_of(known: Known) -> dict[str, Place]:
    """Where each site of the roster is."""
    return {s: (a, b) for s, a, b in known.sites.select("site_id", "latitude", "longitude").iter_rows()}


def roads_of(known: Known) -> Roads:
    """The roads as known at T: a line of the table holds for the way back too, unless that has one of its own."""
    rows = known.travel.sort("from", "to").select("from", "to", "minutes").iter_rows()
    told: dict[tuple[str, str], float] = {(origin, to): minutes for origin, to, minutes in rows}
    for (origin, to), minutes in list(told.items()):
        told.setdefault((to, origin), minutes)
    return Roads(settings_at(known, known.at), told)


def settings_at(known: Known, at: datetime) -> Settings:
    """The assumptions, with the speed of the hour that begins at this moment as the speed."""
    local = at.astimezone(ZoneInfo(known.county.zone))
    now, then = (speed_of(known.settings, hour % 24) for hour in (local.hour, local.hour + 1))
    part = (local.minute + local.second / 60) / 60
    return Settings({**known.settings, "dispatch.speed_kmh": now * (1 - part) + then * part})


def speed_of(settings: Mapping[str, float], hour: int) -> float:
    """The speed in the hour that begins at this full hour, local [km/h]: its own where one is set, else the general."""
    own = settings[f"dispatch.speed_kmh_{hour:02}"]
    return max(1.0, own) if own > 0 else settings["dispatch.speed_kmh"]
