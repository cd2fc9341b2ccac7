"""The fallback pack: what the room needs on paper if the computers stop; written anew every hour."""

import shutil
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from pipeline.contracts.known import Known
from pipeline.outputs.hand_over import hand_over, open_tickets, rovers_listed, sites_listed
from pipeline.outputs.pages import Answered, Section, long_time, page

FORMS = 12  # blank call forms in a pack [count]; our choice
KEPT = 6  # packs kept [count]; our choice
STEM = "pack-"


def pages(known: Known, answers: Answered, phones: Mapping[str, str] | None = None) -> dict[str, str]:
    """The pack's pages by file name, each complete in itself.

    Parameters
    ----------
    phones : telephone numbers by the token that stands for them in the log; without it none is printed
    """
    parts = {
        "1-open-tickets.html": ("Open tickets", [open_tickets(known, answers.tickets)], 0),
        "2-rovers.html": ("Rovers", [rovers_listed(known, answers.dispatch)], 0),
        "3-places.html": ("Places and telephones", [sites_listed(known, phones or {})], 0),
        "4-call-forms.html": ("Calls, by hand", [], FORMS),
    }
    found = {name: one(known, title, sections, forms) for name, (title, sections, forms) in parts.items()}
    return found | {"5-hand-over.html": hand_over(known, answers)}


def one(known: Known, title: str, sections: list[Section], forms: int) -> str:
    """One page of the pack."""
    zone = known.county.zone
    return page(
        "hand_over.html.j2",
        title=title,
        county=known.county.name,
        as_of=long_time(known.at, zone),
        zone=zone,
        away=[],
        danger_text="",
        sections=sections,
        forms=forms,
    )


def write_pack(folder: Path, found: Mapping[str, str], at: datetime, zone: str) -> Path:
    """Writes a pack, there whole or not at all, readable by its owner alone; clears older ones away.

    Parameters
    ----------
    folder : where packs are kept; made if it is not there
    found : pages by file name
    at : the time that they speak of
    zone : the county's, for the pack's name
    """
    folder.mkdir(mode=0o700, exist_ok=True)
    name = f"{STEM}{at.astimezone(ZoneInfo(zone)):%Y%m%d-%H%M}"
    part = folder / f".{name}.part"
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(mode=0o700)
    for file, text in found.items():
        (part / file).write_text(text, "utf-8")
        (part / file).chmod(0o600)
    made = folder / name
    shutil.rmtree(made, ignore_errors=True)
    part.rename(made)
    for old in sorted(folder.glob(f"{STEM}*"))[:-KEPT]:
        shutil.rmtree(old, ignore_errors=True)
    return made
