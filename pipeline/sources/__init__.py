"""What a source is: a file whose kind is told by its name, read into rows of text without interpretation.

To add one: a line here, a model in contracts/feeds.py with its key, a model in contracts/events.py.
"""

from dataclasses import dataclass
from fnmatch import fnmatch

from pipeline.contracts.feeds import FEEDS
from pipeline.errors import UnknownKind


@dataclass(frozen=True)
class Source:
    """A kind of file: the name it goes by in a day's folder, and its form."""

    kind: str
    pattern: str
    form: str  # csv, jsonl, lines or toml


# In the order in which a folder is taken: the county's zone and the rosters first, as the rest leans on them.
SOURCES = (
    Source("county", "county*.toml", "toml"),
    Source("sites", "sites*.csv", "csv"),
    Source("units", "units*.csv", "csv"),
    Source("rovers", "rovers*.csv", "csv"),
    Source("outages", "outages-*.csv", "csv"),
    Source("milestones", "milestones-*.csv", "csv"),
    Source("line-counts", "lines-*.csv", "csv"),
    Source("status", "status-*.jsonl", "jsonl"),
    Source("tickets", "tickets-*.csv", "csv"),
    Source("power-notes", "power-*.txt", "lines"),
    Source("ballot-stock", "ballot-stock-*.csv", "csv"),
    Source("reconciliation", "reconcile-*.csv", "csv"),
    Source("travel", "travel*.csv", "csv"),
    Source("entries", "entries-*.jsonl", "jsonl"),
)
ORDER = {source.kind: place for place, source in enumerate(SOURCES)}
FORMS = {source.kind: source.form for source in SOURCES}
ENDINGS = {
    ".csv": "csv",
    ".tsv": "csv",
    ".jsonl": "jsonl",
    ".ndjson": "jsonl",
    ".txt": "lines",
    ".toml": "toml",
    ".xlsx": "xlsx",
}


def source_of(name: str) -> Source:
    """The source that a file's name belongs to.

    Raises
    ------
    UnknownKind : if no pattern fits; the message lists them.
    """
    for source in SOURCES:
        pattern = source.pattern if source.form in ("lines", "toml") else source.pattern.rsplit(".", 1)[0] + ".*"
        if fnmatch(name.lower(), pattern) and ("." + name.lower().rsplit(".", 1)[-1]) in ENDINGS:
            return source
    known = ", ".join(source.pattern for source in SOURCES)
    raise UnknownKind(
        f"{name}: no kind of feed goes by that name. Rename it to one of {known}, or name it under files in a profile."
    )


def form_of(name: str, kind: str) -> str:
    """How a file is read: by its ending where that is known, else as its kind usually comes."""
    ending = "." + name.rsplit(".", 1)[-1].lower() if "." in name else ""
    form = ENDINGS.get(ending, FORMS[kind])
    return FORMS[kind] if {form, FORMS[kind]} & {"lines", "toml"} else form


assert set(FORMS) == set(FEEDS)
