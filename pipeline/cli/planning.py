"""What looks beyond the present: whatif, plan."""

from pathlib import Path
from typing import Annotated

import polars as pl
import typer

from pipeline.cli.app import TEXT_FORMATS, AtOption, BookOption, FormatOption, OutOption, app, now
from pipeline.contracts.asked import ExpectedVoters
from pipeline.errors import MissingFile, UsageError, WardbookError
from pipeline.normalise.listed import read_list
from pipeline.outputs import export, planned
from pipeline.shell import Asked, asked_of, fault_words, messages, one_of, put, time_of_day, working
from pipeline.store import read


@app.command()
def whatif(
    book: BookOption,
    site: Annotated[str | None, typer.Option(help="A site_id of the roster.")] = None,
    rovers: Annotated[int | None, typer.Option(help="So many more rovers, in the whole county: +1.")] = None,
    part: Annotated[str | None, typer.Option(help="One more of a part, in the vehicle where it saves most.")] = None,
    spare: Annotated[
        str | None, typer.Option(help="One more spare unit of a type of the roster, at the depot.")
    ] = None,
    add: Annotated[
        list[str] | None, typer.Option(help="checkin-station=1, booth=1 or scanner=1; may be repeated.")
    ] = None,
    repair: Annotated[list[str] | None, typer.Option(help="A unit_id of the site; may be repeated.")] = None,
    from_: Annotated[str | None, typer.Option("--from", help="When the change begins; else at once.")] = None,
    at: AtOption = None,
    format: FormatOption = "text",
    out: OutOption = None,
) -> None:
    """Say what a change would do. Example: wardbook whatif --site P01 --add checkin-station=1 --from 10:30 --book day

    Or what one more would have saved so far and would save from now on: --rovers +1, --part paper-roll, --spare TYPE.
    The change in waits and voter-minutes up to the last voter, with its interval. Without --at, what was known at
    --from counts, or all that is known if --from lies ahead. A time may be HH:MM, local.
    """
    from pipeline.estimates import Answers  # loading them takes seconds
    from pipeline.estimates.lines.whatif import Change

    one_of(format, TEXT_FORMATS, "--format")
    if sum(one is not None for one in (site, rovers, part, spare)) != 1:
        raise UsageError("whatif: asks about one thing. Add --site SITE, --rovers +1, --part NAME or --spare TYPE.")
    if rovers is not None and not 1 <= rovers <= 1000:
        raise UsageError(f"--rovers {rovers}: not from 1 to 1000.")
    asked = asked_of(book, None, now())
    county = read.known_at(asked.rows, asked.times[0]).county
    if site is None:
        frame = one_more(asked, rovers, part, spare, at)
        put(export.as_text(frame, "csv" if format == "text" else format, asked.zone), out)
        return
    start = time_of_day(from_, county) if from_ else None
    known_at = time_of_day(at, county) if at else min(filter(None, (asked.times[0], start)))
    change = Change(str(site), added(add or []), tuple(repair or ()), start)
    known = read.known_at(asked.rows, known_at)
    frame = Answers(known).whatif(change)
    put(planned.whatif_text(known, frame) if format == "text" else export.as_text(frame, format, asked.zone), out)


def one_more(asked: Asked, rovers: int | None, part: str | None, spare: str | None, at: str | None) -> pl.DataFrame:
    """What more rovers, one more of a part or one more spare would have saved so far and would save from now on."""
    from pipeline.estimates import Answers

    first = read.known_at(asked.rows, asked.times[0])
    known = read.known_at(asked.rows, time_of_day(at, first.county)) if at else first
    own = Answers(known)
    if rovers is not None:
        return own.more_rovers(rovers)
    if part is not None:
        return own.more_parts(part)
    types = known.units["type"].drop_nulls().unique().sort().to_list()
    if spare not in types:
        raise UsageError(f"--spare {spare}: no unit of the roster has that type. It has {', '.join(types) or 'none'}.")
    return own.more_spares(str(spare))


def added(words: list[str]) -> dict[str, int]:
    """What is added, by kind."""
    found: dict[str, int] = {}
    for word in words:
        kind, _, number = word.partition("=")
        if not (number or "1").isascii() or not (number or "1").isdigit():
            raise UsageError(f"--add {word}: {number!r} is no whole number. Write it like checkin-station=1.")
        found[kind] = found.get(kind, 0) + int(number or 1)
    return found


@app.command()
def plan(
    next_: Annotated[Path, typer.Option("--next", help="CSV: site_id, expected_voters; opens, closes if they change.")],
    book: BookOption,
    spread: Annotated[
        float | None, typer.Option(help="Of turnout about what is expected, in the log; 0: it is known exactly.")
    ] = None,
    at: AtOption = None,
    format: FormatOption = "text",
    out: OutOption = None,
) -> None:
    """Say what the next day needs. Example: wardbook plan --next expected.csv --book day

    Stations, booths and scanners at which the chance to wait over 30 minutes stays below 5 % in every hour, from what
    this day has taught, beside Erlang C and the queue stop rule. Exit status 1 if a row of the list could not be used.
    """
    from pipeline.estimates import Answers  # loading them takes seconds
    from pipeline.estimates.lines.nextday import next_day

    one_of(format, TEXT_FORMATS, "--format")
    if spread is not None and not 0 <= spread <= 2:
        raise UsageError(f"--spread {spread}: not from 0 to 2. As assumed it is about 0.43.")
    if not next_.is_file():
        raise MissingFile(f"{next_}: no such file. Check the path.")
    asked = asked_of(book, [at] if at else None, now())
    known = read.known_at(asked.rows, asked.times[0])
    listed = read_list(next_.read_bytes(), next_.name, ExpectedVoters, known.county.zone, known.county.election_day)
    once = listed.frame.unique("site_id", keep="last", maintain_order=True)
    faults = [fault_words(f.row, f.column, f.value, f.reason) for f in listed.faults]
    if once.height < listed.frame.height:
        faults.append(f"{listed.frame.height - once.height} sites stand there more than once: the last row counts")
    with working("Planning"):
        frame = next_day(known, Answers(known).line_states, once.drop("row"), spread)
    put(planned.plan_text(known, frame) if format == "text" else export.as_text(frame, format, asked.zone), out)
    for fault in faults:
        messages.print(f"{next_.name}, {fault}", markup=False)
    if faults:
        raise WardbookError(f"{next_.name}: {len(faults)} of its rows could not be used as they stand. Correct them.")
