"""How good the figures were: grade."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated

import polars as pl
import typer

from pipeline.cli.app import TEXT_FORMATS, BookOption, FormatOption, OutOption, app, now
from pipeline.contracts.asked import HandTimes, StopTimes
from pipeline.contracts.known import County, Known
from pipeline.contracts.words import LINES
from pipeline.errors import EstimateError, MissingFile, UsageError
from pipeline.normalise.listed import Listed, read_list
from pipeline.outputs import export, planned
from pipeline.shell import Asked, asked_of, fault_words, messages, one_of, put, time_of_day, working
from pipeline.sources.tables import Fault
from pipeline.store import read

MOST_STAMPS = 60  # as many distinct times of counts are graded one by one; more are graded every half hour; our choice
USUAL_EVERY = 30  # [min]
STOPS = "stops"  # what the names of files with stops begin with
MOST_FAULTS = 20  # rows that cannot be used are named up to this many [count]


@app.command()
def grade(
    truth: Annotated[Path, typer.Option(help="A folder of CSV files: site_id, line, at, waiting, wait_minutes.")],
    book: BookOption,
    at: Annotated[list[str] | None, typer.Option(help="Grade what was said at this time; may be repeated.")] = None,
    every: Annotated[int | None, typer.Option(help="Or every so many minutes, over the time of the counts.")] = None,
    within: Annotated[int, typer.Option(help="A count belongs to a time this near [min].")] = 2,
    bins: Annotated[Path | None, typer.Option(help="A CSV file for the reliability diagram.")] = None,
    format: FormatOption = "text",
    out: OutOption = None,
) -> None:
    """Grade the lines against counts by hand. Example: wardbook grade --book day --truth hand --every 30

    Error, CRPS, coverage and the Brier score's terms, beside the last count carried forward and the roster alone.
    Without --at and --every: at the times of the counts, or every half hour where these are many.
    """
    from pipeline.estimates.lines import grading

    one_of(format, TEXT_FORMATS, "--format")
    asked = asked_of(book, None, now())
    known = read.known_at(asked.rows, asked.times[0])
    counts, faults = hand_counts(truth, known)
    stamps = stamps_of(counts, at, every, known.county)
    rows = graded_rows(asked, known, counts, hand_stops(truth, known), stamps, timedelta(minutes=max(within, 0)))
    tell(faults, counts.height, rows.height, len(stamps))
    if rows.is_empty():
        raise EstimateError(
            f"{truth}: no count lies within {within} min of a time that is graded. Name --at or --every."
        )
    frame = grading.grades(rows)
    if bins is not None:
        export.write(grading.reliability(rows), "csv", bins, None, asked.zone)
    put(planned.grades_text(frame) if format == "text" else export.as_text(frame, format, asked.zone), out)


def hand_counts(folder: Path, known: Known) -> tuple[pl.DataFrame, list[tuple[str, Fault]]]:
    """All counts of a folder that name a site of the roster and a line, and why others are left out."""
    if not folder.is_dir():
        raise MissingFile(f"{folder}: not a folder. Name the folder with the counts by hand.")
    files = [path for path in sorted(folder.glob("*.csv")) if not path.name.startswith(STOPS)]
    if not files:
        raise UsageError(f"{folder}: no CSV file in it. Write site_id, line, at, waiting (and wait_minutes) into one.")
    sites = set(known.sites["site_id"].to_list())
    frames, faults = [], []
    for path in files:
        listed = read_list(path.read_bytes(), path.name, HandTimes, known.county.zone, known.county.election_day)
        good, odd = named(listed, sites)
        frames.append(good)
        faults += [(path.name, fault) for fault in [*listed.faults, *odd]]
    return pl.concat(frames).unique(["site_id", "line", "at"], keep="last", maintain_order=True), faults


def named(listed: Listed, sites: set[str]) -> tuple[pl.DataFrame, list[Fault]]:
    """The rows that name a site of the roster and a line, and a fault for each other."""
    frame = listed.frame
    odd_site = ~pl.col("site_id").is_in(list(sites))
    odd_line = ~pl.col("line").is_in(list(LINES))
    reasons = {"site_id": (odd_site, "no site of the roster"), "line": (odd_line, f"not one of {', '.join(LINES)}")}
    faults = [
        Fault(row, column, value, reason)
        for column, (odd, reason) in reasons.items()
        for row, value in frame.filter(odd).select("row", column).iter_rows()
    ]
    return frame.filter(~odd_site & ~odd_line), faults


def hand_stops(folder: Path, known: Known) -> pl.DataFrame | None:
    """Stops written down by hand, if there is such a file."""
    files = sorted(folder.glob(f"{STOPS}*.csv"))
    read_in = [
        read_list(f.read_bytes(), f.name, StopTimes, known.county.zone, known.county.election_day) for f in files
    ]
    return pl.concat(listed.frame.drop("row") for listed in read_in) if read_in else None


def stamps_of(counts: pl.DataFrame, at: list[str] | None, every: int | None, county: County) -> list[datetime]:
    """The times that are graded, whole minutes."""
    from pipeline.estimates.lines.references import regular

    if at and every is not None:
        raise UsageError("--at and --every: choose one of them.")
    if at:
        return sorted({time_of_day(text, county).replace(second=0, microsecond=0) for text in at})
    if every is not None and not 1 <= every <= 1440:
        raise UsageError(f"--every {every}: not minutes from 1 to 1440. Write it like --every 30.")
    if counts.is_empty():
        return []
    times = counts["at"].dt.truncate("1m").unique().sort().to_list()
    if every is None and len(times) <= MOST_STAMPS:
        return times
    return regular(times[0], times[-1], every or USUAL_EVERY)


def graded_rows(
    asked: Asked,
    known: Known,
    counts: pl.DataFrame,
    stops: pl.DataFrame | None,
    stamps: list[datetime],
    within: timedelta,
) -> pl.DataFrame:
    """The counts near the stamps, with what was said then and what the references say, and the groups."""
    from pipeline.estimates import Answers  # loading them takes seconds
    from pipeline.estimates.lines import references

    rows = references.matched(counts.drop("row"), stamps, within)
    stamps = rows["stamp"].unique().sort().to_list()
    if not stamps:
        return rows
    roster = references.roster_only(known, stamps)
    ours, carried = [], []
    with working("Grading", len(stamps)) as advance:
        for stamp in stamps:
            then = read.known_at(asked.rows, stamp)
            ours.append(Answers(then).answer("lines").with_columns(stamp=pl.lit(stamp, pl.Datetime("us", "UTC"))))
            carried.append(references.last_counts(then, roster, stamp))
            advance()
    forecasts = {"wardbook": pl.concat(ours), "last-count": pl.concat(carried), "roster": roster}
    told = references.stops_told(known, Answers(known).readings) if stops is None else stops
    return references.grouped(references.together(rows, forecasts), known, told)


def tell(faults: list[tuple[str, Fault]], counts: int, used: int, stamps: int) -> None:
    """What was used and what was not, to stderr."""
    for name, fault in faults[:MOST_FAULTS]:
        said = fault_words(fault.row, fault.column, fault.value, fault.reason)
        messages.print(f"{name}, {said}", markup=False)
    more = f", {len(faults)} rows left out" if faults else ""
    messages.print(f"{counts} counts read{more}; {used} of them at {stamps} times are graded.", markup=False)
