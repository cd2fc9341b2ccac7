"""A call while it is being typed: read by the same reader as the intake, compared with what is known already."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import polars as pl
import streamlit as st

from dashboard.data import Picture
from pipeline.contracts.events import TicketRows
from pipeline.contracts.known import empty
from pipeline.estimates.dispatch.cautions import caution_for
from pipeline.normalise.troubles import read_tickets
from pipeline.outputs.sheet import guidance

DRAFT = "draft"
BACK = timedelta(hours=4)  # earlier calls are compared with this far back; the reader itself goes back less far
KEPT = 64  # drafts remembered [count]


@dataclass(frozen=True)
class Draft:
    """What the reader makes of a call."""

    site_id: str | None
    site_confidence: float
    unit_id: str | None
    category: str
    categories: tuple[str, ...]
    confidence: float
    severity: int
    decided_by: str
    same_as: str | None


def read_draft(picture: Picture, site: str, unit: str, text: str, at: datetime) -> Draft:
    """What a call says so far; read once for each wording."""
    minute = at.replace(second=0, microsecond=0) + timedelta(minutes=1)  # after every call of this very minute
    found = reading(picture.folder, picture.version, site, unit, text, minute, picture)
    return Draft(**found)


@st.cache_data(max_entries=KEPT, show_spinner=False)
def reading(
    folder: str, version: int, site: str, unit: str, text: str, at: datetime, _picture: Picture
) -> dict[str, Any]:
    """The draft's reading, among the calls of the last hours."""
    known = _picture.known
    schema = empty(TicketRows).schema
    row = dict.fromkeys(schema) | {
        "ticket_id": DRAFT,
        "opened_at": at,
        "site": site or "-",
        "unit": unit or None,
        "text": text,
        "status": "open",
        "received_at": at,
        "content_hash": "",
    }
    earlier = known.tickets.filter((pl.col("opened_at") >= at - BACK) & (pl.col("opened_at") <= at))
    both = pl.concat([earlier, pl.DataFrame([row], schema=schema, orient="row").select(earlier.columns)])
    read = read_tickets(replace(known, tickets=both)).filter(pl.col("ticket_id") == DRAFT)  # type: ignore[arg-type]
    one = read.to_dicts()[0]
    return {
        "site_id": one["site_id"],
        "site_confidence": one["site_confidence"],
        "unit_id": one["unit_id"],
        "category": one["category"],
        "categories": tuple(one["categories"]),
        "confidence": one["category_confidence"],
        "severity": one["severity"],
        "decided_by": one["decided_by"],
        "same_as": one["same_as"],
    }


def questions(category: str) -> tuple[str, list[str]]:
    """The guidance card of a category: its title and what to ask and do, in order."""
    card = guidance().get(category) or guidance()["other"]
    return card["title"], list(card["steps"])


def cautions(categories: tuple[str, ...]) -> str | None:
    """Every caution that goes with what the call tells of."""
    return caution_for(list(categories))
