"""What one more of a part would save: from now on by the plan, and so far by the visits made without it."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import cast

import polars as pl
from pandera.typing.polars import DataFrame

from pipeline.contracts.events import RoverRows
from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.dispatch import spread
from pipeline.estimates.dispatch.more import ASKED, one_row, saved_by, share
from pipeline.estimates.dispatch.needs import joined
from pipeline.estimates.dispatch.rovers import PART_WORDS, fits, part_needed, parts_for, parts_of

MOST_TRIED = 12  # vehicles that the part is given to, one at a time [count]; our choice


def fitted_by(part: str) -> list[str]:
    """The categories of trouble that a part is for."""
    return [category for category in PART_WORDS if fits(category, part)]


def with_part(known: Known, rover_id: str, part: str) -> Known:
    """What is known, with one more of a part in a vehicle."""
    rows = known.rovers.with_columns(
        parts=pl.when(pl.col("rover_id") == rover_id)
        .then(pl.concat_str([pl.col("parts"), pl.lit(f"{part}:1")], separator=";", ignore_nulls=True))
        .otherwise(pl.col("parts"))
    )
    return replace(known, rovers=cast(DataFrame[RoverRows], rows))


def without(known: Known, part: str) -> dict[str, Mapping[str, int]]:
    """The vehicles that list parts and none that would do instead of this one, by id."""
    stocks = {row["rover_id"]: parts_of(row["parts"]) for row in known.rovers.sort("rover_id").iter_rows(named=True)}
    kinds = tuple(fitted_by(part))
    return {rover_id: stock for rover_id, stock in stocks.items() if stock and parts_for(kinds, stock)[1]}


def part_from_now(
    known: Known, plan: pl.DataFrame, part: str, planned: Callable[[Known], pl.DataFrame]
) -> tuple[float, str | None]:
    """Voter-minutes that one more saves in the vehicle where it saves most, and which; nobody where it saves nothing.

    Parameters
    ----------
    plan : the estimate Dispatch, with `categories`
    planned : the plan for what is known: `dispatch` with the other estimates
    """
    kinds = fitted_by(part)
    stops = plan.filter(pl.col("categories").list.eval(pl.element().is_in(kinds)).list.any())
    if stops.is_empty():
        return 0.0, None
    first = set(stops["rover_id"])
    tried = sorted(without(known, part), key=lambda rover_id: (rover_id not in first, rover_id))[:MOST_TRIED]
    now = saved_by(plan)
    found = [(saved_by(planned(with_part(known, rover_id, part))) - now, rover_id) for rover_id in tried]
    best = max(found, key=lambda item: (item[0], item[1]), default=(0.0, None))
    return best if best[0] > 0 else (0.0, None)


def part_so_far(known: Known, tickets: pl.DataFrame, part: str) -> tuple[float, str | None, int]:
    """What one more since the morning is expected to have saved in the best vehicle; which; visits made without it.

    At each visit for a trouble that asks for it, `part_needed_…` of a second visit's minutes, times the least people of
    the trouble's severity. It is used once: at the second such visit only if the first did not need it.
    """
    bare, kinds = without(known, part), set(fitted_by(part))
    rows = joined(known, tickets).filter(pl.col("arrived_at") <= known.at).sort("arrived_at", "ticket_id")
    left, saved, visits = dict.fromkeys(bare, 1.0), dict.fromkeys(bare, 0.0), 0
    for row in rows.iter_rows(named=True):
        who, category = row["rover_id"], row["category"]
        if who not in bare or category not in kinds or not parts_for((category,), bare[who])[1]:
            continue
        chance = part_needed(category, known.settings)
        people = known.settings[f"dispatch.least_people_{min(4, max(1, row['severity'] or 4))}"]
        saved[who] += left[who] * chance * known.settings["dispatch.second_visit_minutes"] * people
        left[who] *= 1 - chance
        visits += 1
    best = max(saved, key=lambda who: (saved[who], who), default=None)
    return (saved[best], best, visits) if best is not None and saved[best] > 0 else (0.0, None, visits)


def answer_part(
    known: Known,
    tickets: pl.DataFrame,
    plan: pl.DataFrame,
    loads: pl.DataFrame,
    part: str,
    planned: Callable[[Known], pl.DataFrame],
) -> pl.DataFrame:
    """What one more of a part would have saved and would save: OneMore; other parameters as in `part_from_now`."""
    change = f"1 more {part}"
    if not fitted_by(part):
        basis = "no trouble is known to ask for a part of that name"
        return pl.DataFrame(
            [one_row(change, when, 0.0, (1.0, 1.0), 0, basis) for when in ("so far", "from now on")],
            schema=ASKED,
            orient="row",
        )
    past, whose, visits = part_so_far(known, tickets, part)
    ahead, where = part_from_now(known, plan, part, planned)
    said = f"visits made without it, by {whose} most" if whose else "no visit was made without it"
    then = f"the plan with it in {where} and without" if where else "no stop of the plan would be done sooner with it"
    return pl.DataFrame(
        [
            one_row(change, "so far", past, spread(known, (1.0, 1.0)), visits, said),
            one_row(change, "from now on", ahead, spread(known, share(loads)), plan.height, then),
        ],
        schema=ASKED,
        orient="row",
    )
