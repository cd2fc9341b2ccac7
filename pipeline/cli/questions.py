"""What comes out: estimate, sheet, review."""

from datetime import UTC, date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import polars as pl
import typer

from pipeline.cli.app import AtOption, BookOption, PageOption, app, now
from pipeline.contracts.estimates import ESTIMATES
from pipeline.errors import EstimateError, UsageError
from pipeline.outputs import export
from pipeline.shell import asked_of, messages, one_of, put, time_of_day, working
from pipeline.store import read
from pipeline.store.people import names_behind

if TYPE_CHECKING:
    from pipeline.estimates import Answers

WHATS = tuple(ESTIMATES)
ALONE = ("waits",)  # answered when asked for by name, and no part of `all`
TABLE_FORMATS = ("json", "csv", "parquet")
CARRIED = ("repeats", "kinds", "swaps")  # what earlier elections bear on
SHEET_FORMATS = ("html", "pdf")


@app.command()
def estimate(
    what: Annotated[str, typer.Argument(help="all, or one of " + ", ".join((*WHATS, *ALONE)) + ".")],
    book: BookOption,
    at: Annotated[list[str] | None, typer.Option(help="What was known at this time; may be repeated.")] = None,
    format: Annotated[str, typer.Option(help="json, csv or parquet.")] = "json",
    out: Annotated[Path | None, typer.Option(help="A file; for `all`, a folder.")] = None,
    ahead: Annotated[
        str | None, typer.Option(help="outlook: minutes ahead, and `close` for the closing; 30,60,120 if not said.")
    ] = None,
    if_out: Annotated[
        str | None,
        typer.Option(help="power: what an outage would cost, CIRCUIT@T+90 (T or HH:MM; `all` compares every circuit)."),
    ] = None,
    prior: Annotated[
        list[Path] | None,
        typer.Option(
            help="repeats: the book of an earlier election, its record carried in, discounted; may be repeated."
        ),
    ] = None,
) -> None:
    """Answer a question from what was known. Example: wardbook estimate lines --book day --at 2026-11-03T10:30:00-06:00

    Without --at the time is the newest receipt in the book (now, while the book is watched).
    """
    from pipeline.estimates import Answers  # loading them takes seconds, and no other command needs them
    from pipeline.estimates.lines.ahead import HORIZONS, horizons_of

    one_of(what, ("all", *WHATS, *ALONE), "WHAT")
    one_of(format, TABLE_FORMATS, "--format")
    if what == "all" and out is None:
        raise UsageError("estimate all: needs a folder for its files. Add --out FOLDER.")
    if format == "parquet" and out is None:
        raise UsageError("--format parquet: cannot be printed. Add --out FILE.")
    if ahead is not None and what not in ("outlook", "all"):
        raise UsageError(f"--ahead: {what} does not look ahead. Ask for outlook, or leave it out.")
    if if_out is not None and what != "power":
        raise UsageError(f"--if-out: {what} supposes no outage. Ask for power, or leave it out.")
    if prior and what not in (*CARRIED, "all"):
        raise UsageError(f"--prior: {what} takes nothing from earlier elections. Ask for {', '.join(CARRIED)}.")
    horizons = HORIZONS if ahead is None else horizons_of(ahead)
    asked = asked_of(book, at, now())
    rows, times, zone = asked.rows, asked.times, asked.zone
    parts: list[pl.DataFrame] = []
    earlier = earlier_records(prior or [], read.known_at(rows, times[0]).county.election_day)
    with working("Estimating", len(times)) as advance:
        for time in times:
            answers = Answers(read.known_at(rows, time), horizons, earlier)
            if what == "all":
                for each in WHATS:
                    name = f"{each}-{time.astimezone(UTC):%Y%m%dT%H%MZ}.{format}"
                    export.write(answers.answer(each), format, Path(out or ".") / name, time, zone)
            else:
                frame = answers.answer(what) if if_out is None else supposed_out(answers, if_out)
                parts.append(export.stamped(frame, time))
            advance()
    if what == "all":
        messages.print(f"{len(times) * len(WHATS)} files written to {out}")
        return
    table = export.together(parts)
    if out is not None:
        export.write(table, format, out, None, zone)
    else:
        print(export.as_text(table, format, zone))


def supposed_out(answers: "Answers", text: str) -> pl.DataFrame:
    """What the outage of `--if-out` would cost."""
    from pipeline.estimates.power.ifout import supposed

    known = answers.known
    try:
        return answers.if_out(supposed(text, known.at, lambda clock: time_of_day(clock, known.county)))
    except EstimateError as error:
        raise UsageError(str(error)) from error


def earlier_records(books: list[Path], day: date) -> list[pl.DataFrame]:
    """Faults and what was due at earlier elections, the latest first: each book as its newest receipt left it.

    Raises
    ------
    UsageError : for a book whose election is not before `day`.
    """
    from pipeline.estimates import Answers  # loading them takes seconds

    found = []
    for folder in books:
        asked = asked_of(folder, None, now())
        known = read.known_at(asked.rows, asked.times[-1])
        if known.county.election_day >= day:
            raise UsageError(
                f"--prior {folder}: its election, {known.county.election_day}, is not before {day}. "
                "Give books of earlier elections only."
            )
        found.append((known.county.election_day, Answers(known).fault_record))
    return [record for _, record in sorted(found, key=lambda one: one[0], reverse=True)]


@app.command()
def sheet(
    book: BookOption,
    rover: Annotated[str, typer.Option(help="A rover_id of the roster, or all.")] = "all",
    at: AtOption = None,
    format: Annotated[str | None, typer.Option(help="html or pdf; else by the ending of --out.")] = None,
    out: Annotated[Path | None, typer.Option("--out", help="An HTML or PDF file; else HTML to stdout.")] = None,
    phones: Annotated[bool, typer.Option("--phones", help="Print names and telephone numbers.")] = False,
    last: Annotated[
        Path | None, typer.Option(help="Last election's book: print what each vehicle should load.")
    ] = None,
) -> None:
    """Print a rover's next stops as one page. Example: wardbook sheet --rover R3 --book day --out R3.pdf

    For paper or a phone; complete in itself: the next stop first, an activity log on the back. A later plan may replace
    it. A `guidance.toml` in the book's folder replaces our guidance cards.
    """
    from pipeline.estimates import Answers  # loading them takes seconds
    from pipeline.estimates.dispatch.parts import vehicle_loads
    from pipeline.outputs.printing import as_pdf
    from pipeline.outputs.sheet import county_cards
    from pipeline.outputs.sheet import sheet as page

    ending = "pdf" if out is not None and out.suffix.lower() == ".pdf" else "html"
    kind = one_of(format or ending, SHEET_FORMATS, "--format")
    if kind == "pdf" and out is None:
        raise UsageError("--format pdf: cannot be printed to the screen. Add --out FILE.")
    asked = asked_of(book, [at] if at else None, now())
    known = read.known_at(asked.rows, asked.times[0])
    numbers = names_behind(asked.book.people) if phones else None
    loads = vehicle_loads(known, last_failures(last)) if last else None
    text = page(known, Answers(known), rover, numbers, county_cards(asked.book.folder), loads)
    put(as_pdf(text) if kind == "pdf" else text, out)


def last_failures(book: Path) -> pl.DataFrame:
    """What rovers were needed for at an earlier election, by category."""
    from pipeline.estimates import Answers
    from pipeline.estimates.dispatch.parts import failures_by_category

    asked = asked_of(book, None, now())
    known = read.known_at(asked.rows, asked.times[0])
    return failures_by_category(known, Answers(known).tickets)


@app.command()
def review(
    book: BookOption,
    at: AtOption = None,
    out: PageOption = None,
) -> None:
    """Write the day's first report for reviewers. Example: wardbook review --book day --out review.html

    Ballot counts only, never votes; every figure is unofficial.
    """
    from pipeline.estimates import Answers  # loading them takes seconds
    from pipeline.outputs.review import review as page

    asked = asked_of(book, [at] if at else None, now())
    known = read.known_at(asked.rows, asked.times[0])
    with read.Snapshot(asked.book.published) as snapshot:
        intake = read.intake_by_kind(snapshot.con, asked.times[0])
    put(page(known, Answers(known), intake), out)
