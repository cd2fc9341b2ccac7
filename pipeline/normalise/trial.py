"""What a profile would make of a file's rows, without a book: a trial before anything is taken."""

from datetime import datetime

from pipeline.normalise.shape import Piece, shape
from pipeline.sources.profile import Profile
from pipeline.sources.tables import Fault, RawTable


def trial(raw: RawTable, profile: Profile, received_at: datetime, zone: str | None) -> tuple[int, list[Fault]]:
    """The number of rows that have the form of the profile's kind, and the faults of the others.

    Whether a roster lists their ids is not asked. Local times are read in the zone given, in UTC without one: for the
    form alone that is near enough.
    """
    shaped = shape([Piece(raw, received_at, profile)], profile.kind, zone or "UTC")
    return shaped.good.height, sorted(shaped.faults[0], key=lambda f: f.row)
