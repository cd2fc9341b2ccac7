"""What is weighed of each site: laid out once, for every replay and for the digest of what a state stands on."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.estimates.lines.filter import Floats, Ints
from pipeline.estimates.lines.observations import Observations

COLUMNS = {  # what is weighed of each table of observations, beside site and minute
    "scans": ["slot", "delta", "span", "state"],
    "windows": ["line", "total", "noise", "carried", "idle"],
    "counts": ["line", "count", "is_call"],
    "calls": ["slot", "is_book", "is_jam", "is_end"],
    "moves": ["is_end"],
}
Rows = dict[int, list[Floats]]  # minute -> groups of rows in which no site stands twice
A_SITE = 2**32  # keeps the minutes of one site apart from those of the next


@dataclass(frozen=True)
class SiteRows:
    """One table's rows, by site, then minute, then as they stood."""

    site: Ints
    turn: Ints  # place among the site's rows of that minute, which are taken one after the other
    values: Floats  # rows x (minute, its columns)

    @cached_property
    def key(self) -> Ints:
        """Site and minute as one number, which rises."""
        return self.site * A_SITE + self.values[:, 0].astype(np.int64)

    def ends(self, sites: Ints, minute: Ints) -> Ints:
        """How many rows stand before each site's minute, those of the sites before it among them."""
        return np.searchsorted(self.key, sites * A_SITE + minute)


def by_site(seen: Observations) -> dict[str, SiteRows]:
    """Every table by site."""
    return {name: laid_out(getattr(seen, name), columns) for name, columns in COLUMNS.items()}


def laid_out(table: pl.DataFrame, columns: list[str]) -> SiteRows:
    """One table by site. The two lines of a site's windows are weighed together."""
    values = table.select(pl.col("minute", *columns).cast(pl.Float64).fill_null(np.nan)).to_numpy()
    site, line = table["site"].to_numpy(), table["line"].to_numpy() if "noise" in columns else np.zeros(len(table))
    order = np.lexsort((line, values[:, 0], site))
    site, line, values = site[order], line[order], np.ascontiguousarray(values[order])
    is_first = np.ones(len(site), bool)
    is_first[1:] = (np.diff(site) != 0) | (np.diff(values[:, 0]) != 0) | (np.diff(line) != 0)
    number = np.arange(len(site))
    return SiteRows(site, number - np.maximum.accumulate(np.where(is_first, number, 0)), values)


def merged(tables: dict[str, SiteRows]) -> SiteRows:
    """All tables as one, by site, then minute, then table: the minute, the table's number and its columns."""
    parts = []
    for number, table in enumerate(tables.values()):
        part = np.full((len(table.site), 2 + max(len(columns) for columns in COLUMNS.values())), np.nan)
        part[:, 0], part[:, 1], part[:, 2 : 1 + table.values.shape[1]] = table.values[:, 0], number, table.values[:, 1:]
        parts.append(part)
    site, turn = (np.concatenate([getattr(table, name) for table in tables.values()]) for name in ("site", "turn"))
    values = np.concatenate(parts)
    order = np.lexsort((turn, values[:, 1], values[:, 0], site))
    return SiteRows(site[order], turn[order], np.ascontiguousarray(values[order]))


def tables_of(rows: dict[str, SiteRows], sites: Ints, since: int) -> dict[str, Rows]:
    """The rows of some sites by minute, from `since` on; each group as columns, the site's place in `sites` first."""
    return {name: grouped(table, sites, since) for name, table in rows.items()}


def grouped(table: SiteRows, sites: Ints, since: int) -> Rows:
    """As `tables_of`, of one table."""
    starts, ends = (
        table.ends(sites, np.full(len(sites), since)),
        table.ends(sites + 1, np.full(len(sites), -A_SITE // 2)),
    )
    which = picked(starts, ends)
    if not len(which):
        return {}
    columns = table.values[which].T
    minute, turn = columns[0].astype(np.int64), table.turn[which]
    columns[0] = np.repeat(np.arange(len(sites)), ends - starts)
    order = np.lexsort((turn, minute))
    columns, minute, turn = columns[:, order], minute[order], turn[order]
    edges = np.flatnonzero((np.diff(minute) != 0) | (np.diff(turn) != 0)) + 1
    found: Rows = {}
    for start, group in zip([0, *edges], np.split(columns, edges, axis=1), strict=True):
        found.setdefault(int(minute[start]), []).append(np.ascontiguousarray(group))
    return found


def picked(starts: Ints, ends: Ints) -> Ints:
    """Every number from each start up to its end."""
    return np.concatenate([np.arange(a, b) for a, b in zip(starts, ends, strict=True)] or [np.empty(0, np.int64)])
