"""What a book knows that helps to read somebody else's export: ids, names of places, circuits, zone, election day."""

from pathlib import Path

from pipeline.sources.likeness import folded
from pipeline.sources.roster import Roster
from pipeline.store import read


def roster_of(published: Path) -> Roster:
    """The rosters as published, every row ever received.

    Raises
    ------
    BookEmpty : if nothing has been published.
    """
    with read.Snapshot(published) as snapshot:
        rows = read.read_rows(snapshot.con)
        zone = read.zone_of(snapshot.con)
    tables = {kind: read.received(rows, kind) for kind in ("sites", "units", "rovers", "county")}
    keys = {"sites": "site_id", "units": "unit_id", "rovers": "rover_id"}
    names: list[tuple[str, str]] = []
    for site_id, name, aliases in tables["sites"].select("site_id", "name", "aliases").iter_rows():
        names += [(said.strip(), site_id) for said in (name, *(aliases or "").split(";")) if said and said.strip()]
    days = tables["county"].sort("received_at")["election_day"].to_list()
    return Roster(
        ids={kind: frozenset(tables[kind][column].drop_nulls()) for kind, column in keys.items()},
        places=places(names),
        circuits=frozenset(tables["sites"]["circuit"].drop_nulls()),
        zone=zone,
        election_day=days[-1] if days else None,
    )


def places(names: list[tuple[str, str]]) -> dict[str, str]:
    """Plain form of a name → the one site that goes by it; a name shared by two sites is left out."""
    sites: dict[str, set[str]] = {}
    for name, site_id in names:
        for plain in folded([name]):
            sites.setdefault(plain, set()).add(site_id)
    return {plain: next(iter(ids)) for plain, ids in sites.items() if len(ids) == 1}
