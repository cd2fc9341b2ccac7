"""What was known at one time: the only thing that an estimate is computed from."""

from dataclasses import dataclass, field
from datetime import date, datetime

import pandera.polars as pa
import polars as pl
from pandera.typing.polars import DataFrame

from pipeline.contracts import events
from pipeline.settings import Settings

# Where units stood that the roster moved: a row a stay, from when the roster said so; none of a unit that stayed.
MOVES: dict[str, pl.DataType] = {"unit_id": pl.String(), "site_id": pl.String(), "from_at": pl.Datetime("us", "UTC")}


@dataclass(frozen=True)
class MilestoneRule:
    """When a step is due: `due` is `opens-30`, `closes+60` (minutes), or a local HH:MM."""

    name: str
    applies: bool
    due: str
    grace_minutes: float


@dataclass(frozen=True)
class County:
    """The county's own facts, as known at T."""

    name: str
    zone: str
    election_day: date
    depot: tuple[float, float] | None = None
    milestones: dict[str, MilestoneRule] = field(default_factory=dict)


@dataclass(frozen=True)
class Known:
    """The rows received by `at` (UTC), in their latest state by then, with the county's facts and assumptions."""

    at: datetime
    county: County
    settings: Settings
    sites: DataFrame[events.SiteRows]
    units: DataFrame[events.UnitRows]
    rovers: DataFrame[events.RoverRows]
    tickets: DataFrame[events.TicketRows]
    status: DataFrame[events.StatusRows]
    power_notes: DataFrame[events.PowerNoteRows]
    outages: DataFrame[events.OutageRows]
    line_counts: DataFrame[events.LineCountRows]
    milestones: DataFrame[events.MilestoneRows]
    reconciliation: DataFrame[events.ReconciliationRows]
    ballot_stock: DataFrame[events.BallotStockRows]
    entries: DataFrame[events.EntryRows]
    travel: DataFrame[events.TravelRows]
    vocabulary: str = ""  # the county's own words in force: the text of its vocabulary.toml
    moves: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=MOVES))
    outage_states: pl.DataFrame = field(default_factory=lambda: empty(events.OutageRows))


def empty(model: type[pa.DataFrameModel]) -> pl.DataFrame:
    """A frame of a model's columns without rows."""
    return pl.DataFrame(schema={name: column.dtype.type for name, column in model.to_schema().columns.items()})
