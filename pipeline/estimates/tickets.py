"""What each ticket is about, and the voter-minutes at risk in the next hour if nobody comes.

A trouble takes away a share of a service. While it lasts, the people who wait for that service go on waiting, and those
who arrive join them: over an hour H, with Q waiting now and arrivals at rate lambda, a stopped service costs
Q*H + lambda*H^2/2 voter-minutes (the area under a fluid queue; Newell, Applications of Queueing Theory, 1982, ch. 2,
from memory), and a share s of it lost costs that share. Shares by category are our choice.
"""

import math

import polars as pl
from pandera.typing.polars import DataFrame

from pipeline.contracts.estimates import Tickets
from pipeline.contracts.events import SiteLoads, TicketReadings
from pipeline.contracts.known import Known, empty
from pipeline.normalise import units

# Which line a category stops, and the share of that service that is lost while it lasts: for a device, of one device's
# part; for the rest, of the whole place. Our choice; 0 costs nobody time in the next hour.
STOPS = {
    "scanner-down": ("scanner", 1.0),
    "scanner-jam": ("scanner", 0.7),
    "bin-full": ("scanner", 0.6),
    "memory-card": ("scanner", 0.5),
    "poll-book": ("checkin", 0.8),
    "power": ("both", 0.3),
    "ballot-stock": ("checkin", 0.4),
    "site-access": ("checkin", 0.3),
    "staffing": ("checkin", 0.2),
    "long-line": ("checkin", 0.25),
    "safety": ("both", 0.5),
    "conduct": ("checkin", 0.05),
    "bmd": ("checkin", 0.05),
    "accessible-device": ("checkin", 0.05),
    "tape-printer": ("checkin", 0.0),
    "seal": ("checkin", 0.05),
}
DEVICE = {"scanner-down", "scanner-jam", "bin-full", "memory-card", "poll-book"}
SERVED = 0.5  # share of a stopped scanner's cost that stays while the emergency compartment serves: our choice
BY_SEVERITY = {1: 1.0, 2: 1.0, 3: 0.7, 4: 0.2}  # a lesser trouble takes less of the service: our choice


def tickets(known: Known, readings: DataFrame[TicketReadings], loads: DataFrame[SiteLoads]) -> DataFrame[Tickets]:
    """One row a ticket known by T.

    Parameters
    ----------
    readings : what the tickets say
    loads : lines and arrivals of each site at T
    """
    if known.tickets.is_empty():
        return empty(Tickets)  # type: ignore[return-value]
    frame = known.tickets.select("ticket_id", "opened_at", "status", "arrived_at", "resolved_at").join(
        readings, on="ticket_id", how="left"
    )
    risks = at_risk(known, frame, loads)
    frame = frame.with_columns(
        pl.Series("voter_minutes_at_risk", risks, dtype=pl.Float64), status=pl.col("status").fill_null("open")
    )
    names = list(Tickets.to_schema().columns)
    more = ["waiting_said", "line_said"]
    return Tickets.validate(frame.select(names + more).sort("opened_at", "ticket_id"))


def at_risk(known: Known, frame: pl.DataFrame, loads: pl.DataFrame) -> list[float]:
    """Voter-minutes at risk of each ticket, in the order of the frame.

    A resolved ticket risks nothing, and one that repeats another only what the first does: it is counted there.
    """
    horizon = known.settings["tickets.horizon_minutes"]
    load = {row["site_id"]: row for row in loads.to_dicts()}
    devices = device_counts(known)
    stations = {s: max(1, n or 1) for s, n in known.sites.select("site_id", "checkin_stations").iter_rows()}
    out = []
    for row in frame.to_dicts():
        here = load.get(row["site_id"])
        if here is None or row["status"] == "resolved" or row["same_as"] is not None or not here["is_open"]:
            out.append(0.0)
            continue
        share = share_lost(row, devices, stations)
        out.append(cost(row["category"], share, here, horizon))
    return out


def device_counts(known: Known) -> dict[tuple[str, str], int]:
    """Deployed units of each kind at each site."""
    counts: dict[tuple[str, str], int] = {}
    for site_id, type_ in known.units.filter(pl.col("site_id").is_not_null()).select("site_id", "type").iter_rows():
        kind = next((k for k, types in units.TYPES.items() if type_ in types), None)
        if kind:
            counts[site_id, kind] = counts.get((site_id, kind), 0) + 1
    return counts


def share_lost(row: dict, devices: dict[tuple[str, str], int], stations: dict[str, int]) -> float:  # type: ignore[type-arg]
    """Share of the service that the trouble takes while it lasts, 0 to 1."""
    _, share = STOPS.get(row["category"], ("checkin", 0.0))
    share *= BY_SEVERITY.get(row["severity"], 1.0)
    if row["category"] in DEVICE:
        kind = units.CATEGORY_TYPE[row["category"]]
        count = devices.get((row["site_id"], kind), 0) or (stations.get(row["site_id"], 1) if kind == "pollbook" else 1)
        if kind == "pollbook" and row["severity"] == 1:
            return min(1.0, share * 1.25)  # all of check-in is out, not one station
        share /= count
        if kind == "scanner" and count == 1 and row["severity"] != 1:
            share *= SERVED
    return min(1.0, share)


def cost(category: str, share: float, here: dict, horizon: float) -> float:  # type: ignore[type-arg]
    """Voter-minutes over the horizon [min]: waiting now, and arriving, times the share of the service lost."""
    line, _ = STOPS.get(category, ("checkin", 0.0))
    waiting = here["scanner_waiting"] if line == "scanner" else here["checkin_waiting"]
    if line == "both":
        waiting = here["checkin_waiting"] + here["scanner_waiting"]
    span = min(horizon, here["minutes_to_close"]) if here["minutes_to_close"] > 0 else horizon
    arriving = here["arrivals_per_minute"] * (span * horizon - span * span / 2)
    value = share * (waiting * horizon + arriving)
    return value if math.isfinite(value) and value > 0 else 0.0
