"""Sums that the headline, the map and the lists share; frames in, plain figures out."""

import math
from collections import Counter
from datetime import datetime, timedelta
from typing import Any

import polars as pl

from dashboard.data import Picture, once
from pipeline.estimates.dispatch.cautions import danger
from pipeline.estimates.dispatch.decisions import decisions
from pipeline.estimates.dispatch.needs import joined
from pipeline.outputs.review_voting import counted

IN_DANGER = "danger reported"  # how a place stands where danger to people is reported and not cleared
HALF_WIDTH = 1.6449  # standard deviations from the mean to the 5 % and 95 % point of a normal
LIKELY = 0.5  # a chance from here on is called likely; our choice
HORIZONS = (0.0, 30.0, 60.0)  # points of the next hour at which lines are known [min]
CUSTODY = r"(seals-checked|-sealed|-handed-over|-received)$"  # steps at which something changes hands or seals
COUNT_LASTS = timedelta(minutes=60)  # how long a head count tells of a line (docs/methods/lines.md); our choice
WIDE = 20.0  # people within an interval from which a count is worth a call [count]; our choice
LATE_MINUTES = 30  # a head count received longer than this after it was taken is drawn hollow [min]; our choice


@once
def names(picture: Picture) -> dict[str | None, str]:
    """Site names by id."""
    return {row[0]: row[1] or row[0] for row in picture.known.sites.select("site_id", "name").iter_rows()}


@once
def places(picture: Picture) -> dict[str, str]:
    """Site id → its name with its id, by name: what lists of places are chosen from."""
    rows = picture.known.sites.sort("name", "site_id").select("site_id", "name").rows()
    return {site_id: f"{name or site_id} ({site_id})" for site_id, name in rows}


@once
def last_said(picture: Picture) -> dict[str, str]:
    """The newest step of each site that says whether voting goes on there."""
    said = ("open", "suspended", "resumed", "closed", "last-voter")
    last = (
        picture.known.milestones.filter(pl.col("milestone").is_in(said))
        .sort("at", "milestone")
        .group_by("site_id", maintain_order=True)
        .agg(pl.col("milestone").last())
    )
    return dict(last.iter_rows())


@once
def reported(picture: Picture) -> dict[str, str]:
    """Each site of the roster by what it last reported: open, suspended, closed, or nothing yet."""
    state, words = last_said(picture), {"resumed": "open", "last-voter": "closed"}
    told = {site_id: state.get(site_id, "not reported") for site_id in picture.known.sites["site_id"]}
    return {site_id: words.get(milestone, milestone) for site_id, milestone in told.items()}


@once
def standing_open(picture: Picture) -> dict[str, int]:
    """How many sites have last reported what [count]."""
    return {"open": 0, "suspended": 0, "closed": 0, "not reported": 0} | Counter(reported(picture).values())


@once
def states(picture: Picture) -> dict[str, str]:
    """How each site stands, in words: danger before anything that it has reported itself."""
    return reported(picture) | dict.fromkeys(danger_sites(picture) & set(reported(picture)), IN_DANGER)


@once
def serving(picture: Picture) -> set[str]:
    """Sites where a unit has counted ballots or check-ins between two reports since the site's opening."""
    at_sites = picture.known.units.select("unit_id", "site_id")
    hours = picture.known.sites.select("site_id", "opens_at")
    reports = picture.known.status.join(at_sites, on="unit_id").join(hours, on="site_id")
    since = reports.filter(pl.col("occurred_at") >= pl.col("opens_at")).group_by("site_id", "unit_id")
    rises = [(pl.col(c).max() - pl.col(c).min()).alias(c) for c in ("ballots_counted", "checkins")]
    rose = since.agg(rises).filter(pl.any_horizontal(pl.col("ballots_counted", "checkins") > 0))
    return set(rose["site_id"])


@once
def ballots_read(picture: Picture) -> tuple[int | None, int, datetime | None]:
    """Ballots read so far [count], scanners that reported, newest report; None where no scanner has reported."""
    read = counted(picture.known)
    last = read["last_at"].max()
    return (int(read["ballots"].sum()) if read.height else None), read.height, last if read.height else None  # type: ignore[return-value]


def waiting_total(lines: pl.DataFrame) -> tuple[float, float, float] | None:
    """People waiting in all lines, mean and 5 % to 95 %; None without a line.

    The lines are summed as if independent and the sum as if normal, so a busy county's interval is a little too narrow.
    """
    if lines.is_empty():
        return None
    spread = (lines["waiting_high"] - lines["waiting_low"]) / (2 * HALF_WIDTH)
    mean, width = float(lines["waiting_mean"].sum()), HALF_WIDTH * math.sqrt(float((spread**2).sum()))
    return mean, max(mean - width, 0.0), mean + width


def worst_lines(lines: pl.DataFrame) -> pl.DataFrame:
    """The lines by how long a voter who joins now waits, longest first."""
    return lines.sort(
        "wait_minutes_median", "wait_minutes_mean", "site_id", "line", descending=[True, True, False, False]
    )


@once
def least_known(picture: Picture) -> pl.DataFrame:
    """Lines that nobody counted in the last `COUNT_LASTS`, the widest interval first; newest count: `counted_at`."""
    counts = picture.known.line_counts.unpivot(
        ["checkin_line", "scanner_line"], index=["site_id", "at"], variable_name="line", value_name="people"
    ).drop_nulls("people")
    newest = counts.group_by("site_id", pl.col("line").str.strip_suffix("_line")).agg(counted_at=pl.col("at").max())
    lines = picture.answer("lines").join(newest, on=["site_id", "line"], how="left")
    is_old = pl.col("counted_at").is_null() | (pl.col("counted_at") < picture.at - COUNT_LASTS)
    width = pl.col("waiting_high") - pl.col("waiting_low")
    return lines.filter(is_old & (width >= WIDE)).sort(width, "site_id", "line", descending=[True, False, False])


def likely_over_30(lines: pl.DataFrame) -> tuple[int, float]:
    """Sites where a voter likely waits over 30 minutes [count], and the expected number of such sites."""
    worst = lines.group_by("site_id").agg(pl.col("chance_over_30").max())["chance_over_30"]
    return int((worst >= LIKELY).sum()), float(worst.sum())


def any_over_30(lines: pl.DataFrame) -> float:
    """Chance that a voter joining now waits over 30 minutes somewhere; sites taken as independent."""
    if lines.is_empty():
        return 0.0
    worst = lines.group_by("site_id").agg(pl.col("chance_over_30").max())["chance_over_30"]
    return 1.0 - math.prod(1.0 - chance for chance in worst.sort())


def next_hour(lines: pl.DataFrame, outlook: pl.DataFrame) -> pl.DataFrame:
    """Voter-minutes that will be spent waiting in the next hour, by site and line: `cost`, `cost_low`, `cost_high`.

    Trapezoids under the waiting now, in 30 and in 60 minutes; the bounds take every point at its own 5 % or 95 %.
    """
    value = ["site_id", "line", "waiting_mean", "waiting_low", "waiting_high"]
    points = pl.concat(
        [
            lines.select(*value, ahead=pl.lit(0.0)),
            outlook.filter(pl.col("ahead_minutes").is_in(HORIZONS)).select(*value, ahead="ahead_minutes"),
        ]
    ).sort("site_id", "line", "ahead")
    over = ["site_id", "line"]
    width = (pl.col("ahead") - pl.col("ahead").shift(1)).over(over)
    areas = [
        ((pl.col(c) + pl.col(c).shift(1).over(over)) / 2 * width).sum().alias(name)
        for c, name in (("waiting_mean", "cost"), ("waiting_low", "cost_low"), ("waiting_high", "cost_high"))
    ]
    return points.group_by(over, maintain_order=True).agg(areas)


@once
def stakes(picture: Picture) -> pl.DataFrame:
    """Each site's voter-minutes at risk in the next hour: `stake`, with the waiting and the power of the site.

    The larger of what its open tickets put at risk and of what its lines will cost, as the one often causes the other.
    """
    known = picture.known
    waits = next_hour(picture.answer("lines"), picture.answer("outlook")).group_by("site_id").agg(pl.col("cost").sum())
    at_risk = (
        open_tickets(picture).group_by("site_id").agg(risk=pl.col("voter_minutes_at_risk").sum(), tickets=pl.len())
    )
    power = (
        picture.answer("power")
        .group_by("site_id")
        .agg(battery=(pl.col("supply") == "battery").sum(), dark=(pl.col("supply") == "dark").sum())
    )
    now = (
        picture.answer("lines")
        .group_by("site_id")
        .agg(waiting=pl.col("waiting_median").sum(), wait=pl.col("wait_minutes_median").max())
    )
    frame = known.sites.select("site_id", "name", "latitude", "longitude", "expected_voters", "circuit")
    frame = frame.with_columns(state=pl.Series(list(states(picture).values()), dtype=pl.String))
    for part in (waits, at_risk, power, now):
        frame = frame.join(part, on="site_id", how="left")
    filled = frame.with_columns(
        pl.col("cost", "risk").fill_null(0.0), pl.col("tickets", "battery", "dark").fill_null(0)
    )
    return filled.with_columns(stake=pl.max_horizontal("cost", "risk")).sort(
        "stake", "site_id", descending=[True, False]
    )


@once
def outages(picture: Picture) -> pl.DataFrame:
    """What the utility lists as out, the oldest first."""
    return picture.known.outages.filter(pl.col("restored_at").is_null()).sort("started_at", "outage_id")


@once
def dangers(picture: Picture) -> pl.DataFrame:
    """Open tickets that tell of danger at places that nobody has marked cleared since."""
    return danger(picture.answer("tickets"), decisions(picture.known).cleared)


@once
def danger_sites(picture: Picture) -> set[str]:
    """Sites where danger is reported and not cleared."""
    return set(dangers(picture)["site_id"].drop_nulls())


@once
def suspended(picture: Picture) -> set[str]:
    """Sites whose newest word on voting is that it is suspended."""
    return {site_id for site_id, state in last_said(picture).items() if state == "suspended"}


@once
def open_tickets(picture: Picture) -> pl.DataFrame:
    """Tickets that are not resolved and repeat no other, with their visits."""
    return visits(picture).filter((pl.col("status") != "resolved") & pl.col("same_as").is_null())


@once
def visits(picture: Picture) -> pl.DataFrame:
    """The tickets with when and to whom each was given."""
    return joined(picture.known, picture.answer("tickets"))


@once
def rover_places(picture: Picture) -> list[dict[str, Any]]:
    """Each rover: where it was last, what it does now, and its next stop; one row a rover of the roster."""
    known = picture.known
    places = {r["site_id"]: r for r in known.sites.select("site_id", "name", "latitude", "longitude").to_dicts()}
    given: dict[str, list[dict[str, Any]]] = {}
    for row in visits(picture).filter(pl.col("rover_id").is_not_null()).iter_rows(named=True):
        given.setdefault(row["rover_id"], []).append(row)
    plan = picture.answer("dispatch").filter(pl.col("stop") == 1)
    next_stop = {row["rover_id"]: row for row in plan.iter_rows(named=True)}
    return [
        rover_row(picture.at, places, rover, given.get(rover["rover_id"], []), next_stop.get(rover["rover_id"]))
        for rover in known.rovers.sort("rover_id").iter_rows(named=True)
    ]


def rover_row(
    at: datetime,
    places: dict[str, dict[str, Any]],
    rover: dict[str, Any],
    own: list[dict[str, Any]],
    next_stop: dict[str, Any] | None,
) -> dict[str, Any]:
    """One rover's place, doing and next stop.

    Parameters
    ----------
    places : the sites by id
    own : the tickets that it was given
    """
    arrived = sorted(
        (t for t in own if t["arrived_at"] and t["arrived_at"] <= at and t["site_id"] in places),
        key=lambda t: (t["arrived_at"], t["ticket_id"]),
    )
    last = arrived[-1] if arrived else None
    under_way = [t for t in own if t["status"] == "assigned" and t["arrived_at"] is None]
    there = places[last["site_id"]] if last else None
    doing = "free"
    if not rover["on_shift_at"] <= at < rover["off_shift_at"]:
        doing = "off shift"
    elif under_way:
        doing = "under way"
    elif last and last["status"] != "resolved":
        doing = "at work"
    target = places.get(under_way[0]["site_id"]) if under_way else None
    proposed = places.get(next_stop["site_id"]) if next_stop else None
    to = target or proposed
    return {
        "rover_id": rover["rover_id"],
        "doing": doing,
        "place": there["name"] if there else "its start",
        "since": last["arrived_at"] if last else None,
        "latitude": there["latitude"] if there else rover["latitude"],
        "longitude": there["longitude"] if there else rover["longitude"],
        "to": to["name"] if to else None,
        "to_latitude": to["latitude"] if to else None,
        "to_longitude": to["longitude"] if to else None,
        "next": next_stop,
        "skills": rover["skills"],
        "parts": rover["parts"],
        "on_shift_at": rover["on_shift_at"],
        "off_shift_at": rover["off_shift_at"],
    }


@once
def head_counts(picture: Picture, site_id: str, line: str) -> pl.DataFrame:
    """Heads counted in one line: at, people, is_late (received over half an hour after)."""
    column = f"{line}_line"
    late = (pl.col("received_at") - pl.col("at")).dt.total_minutes() > LATE_MINUTES
    own = picture.known.line_counts.filter((pl.col("site_id") == site_id) & pl.col(column).is_not_null())
    return own.sort("at").select("at", people=column, is_late=late)


def newest(times: pl.Series) -> datetime | None:
    """The latest of some times, None where there is none."""
    found = times.max()
    return found if isinstance(found, datetime) else None


def first(times: pl.Series) -> datetime | None:
    """The earliest of some times, None where there is none."""
    found = times.min()
    return found if isinstance(found, datetime) else None


def custody(steps: pl.DataFrame) -> pl.DataFrame:
    """The steps of custody with a gap or a difference; a step that was only not reported is none."""
    said = pl.col("note").is_not_null() & ~pl.col("note").str.starts_with("Not reported")
    return steps.filter(said & pl.col("milestone").str.contains(CUSTODY))
