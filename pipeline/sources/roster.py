"""What a book knows that tells columns of an export apart: ids, places, circuits."""

from dataclasses import dataclass, field

from pipeline.sources.likeness import folded

ROSTERS = {"site_id": "sites", "unit_id": "units", "rover_id": "rovers"}


@dataclass(frozen=True)
class Roster:
    """What a book knows: ids by roster, places by any of their names (→ site_id), circuits, zone, election day."""

    ids: dict[str, frozenset[str]] = field(default_factory=dict)
    places: dict[str, str] = field(default_factory=dict)
    circuits: frozenset[str] = frozenset()
    zone: str | None = None
    election_day: str | None = None

    def names_of(self, column: str) -> dict[str, str]:
        """Plain form → the roster's id, for a column of ids; places answer to their names too."""
        ids = folded(self.ids.get(ROSTERS.get(column, ""), ()))
        return (self.places | ids) if column == "site_id" else ids
