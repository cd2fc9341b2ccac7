"""What a change would do, and what the next day needs, as a person reads it."""

import polars as pl

from pipeline.contracts.known import Known
from pipeline.outputs.pages import between, clock, names, whole

LINE_WORDS = {"checkin": "check-in", "booth": "for a booth", "scanner": "scanner", "all": "all lines"}
NOTHING = 0.05  # a smaller change is none [min]; our choice
GRADE_COLUMNS = {
    "missing": "missing", "MAE": "mae", "RMSE": "rmse", "bias": "bias", "CRPS": "crps",
    "coverage": "coverage", "Brier": "brier", "skill": "brier_skill", "reliability": "reliability",
    "resolution": "resolution", "uncertainty": "uncertainty",
}  # fmt: skip
UNOFFICIAL = "An estimate, unofficial; whoever is in charge decides."


def whatif_text(known: Known, frame: pl.DataFrame) -> str:
    """`WhatIf` as a few sentences and a small table."""
    whole_site = frame.filter(pl.col("line") == "all").row(0, named=True)
    site = names(known).get(whole_site["site_id"], whole_site["site_id"])
    zone = known.county.zone
    lines = [
        f"{site} ({whole_site['site_id']}), {whole_site['change']} from {clock(whole_site['from_at'], zone)}, "
        f"as known at {clock(known.at, zone)}: {verdict(whole_site)}",
        "",
        f"{'line':<12}{'wait as it is':>15}{'changed':>10}   change [min] (5 % to 95 %)   change [voter-minutes]",
    ]
    for row in frame.iter_rows(named=True):
        lines.append(
            f"{LINE_WORDS[row['line']]:<12}{row['wait_minutes_as_is_mean']:>11.1f} min"
            f"{row['wait_minutes_changed_mean']:>6.1f} min   "
            f"{difference(row, 'wait_minutes', 1):<29}{difference(row, 'voter_minutes', 0)}"
        )
    lines += ["", f"Stands on: {whole_site['basis']}.", UNOFFICIAL]
    return "\n".join(lines)


def verdict(row: dict) -> str:
    """Who gains how much, in a sentence."""
    low, mean, high = (row[f"wait_minutes_change_{end}"] for end in ("low", "mean", "high"))
    whom = f"each of about {whole(row['voters_mean'])} voters still to be served"
    if row["voters_mean"] < 0.5:
        return "nobody is left to be served."
    if max(abs(low), abs(high), abs(mean)) < NOTHING:
        return f"no difference to {whom}."
    said = f"the wait of {whom} is {abs(mean):.1f} min {'shorter' if mean <= 0 else 'longer'} on average"
    if low < -NOTHING and high > NOTHING:
        return f"{said}, anything from {-low:.1f} shorter to {high:.1f} longer."
    ends = sorted((abs(low), abs(high)))
    return f"{said} ({ends[0]:.1f} to {ends[1]:.1f})."


def difference(row: dict, name: str, digits: int) -> str:
    """A change with its interval."""
    mean, low, high = (row[f"{name}_change_{end}"] for end in ("mean", "low", "high"))
    return between(mean, low, high, digits).replace("-0.0", "0.0")


def plan_text(known: Known, frame: pl.DataFrame) -> str:
    """`NextDay` as a table a person reads."""
    head = f"{'site':<28}{'voters':>8}{'stations':>15}{'booths':>15}{'scanners':>15}{'over 30':>9}{'worst':>7}  note"
    named = names(known)
    lines = ["Servers: by the model (by Erlang C / by the queue stop rule).", "", head]
    for row in frame.iter_rows(named=True):
        name = named.get(row["site_id"]) or ""
        servers = [
            f"{row[what]} ({row[f'{what}_erlang']}/{row[f'{what}_queue_stop']})"
            for what in ("stations", "booths", "scanners")
        ]
        lines.append(
            f"{row['site_id'] + ' ' + name:<28.27}{row['expected_voters']:>8,.0f}"
            + "".join(f"{text:>15}" for text in servers)
            + f"{row['chance_over_30']:>9.1%}{row['worst_hour'] or '–':>7}  {note_of(row['basis'])}"
        )
    total = frame.select(pl.col("stations", "booths", "scanners").sum()).row(0)
    lines += [
        "",
        f"In all: {total[0]} stations, {total[1]} booths, {total[2]} scanners at {frame.height} sites.",
        UNOFFICIAL,
    ]
    return "\n".join(lines)


def note_of(basis: str) -> str:
    """What is out of the ordinary about a row."""
    return "; ".join(part for part in basis.split("; ") if not part.startswith("service times as learnt"))


def grades_text(frame: pl.DataFrame) -> str:
    """`Grades` as tables a person reads: a block a line and group."""
    parts = []
    for (line, group), rows in frame.filter(pl.col("counts") > 0).group_by("line", "group", maintain_order=True):
        first = rows.row(0, named=True)
        many = f"{first['counts']} counts, {first['waiting_counted_mean'] or 0:.1f} people on average"
        timed = f"{first['timed']} timed, {first['over_30_share'] or 0:.1%} of them over 30 min"
        parts.append(f"{LINE_WORDS[str(line)]}, {group}: {many}; {timed}")
        parts.append("".join(f"{name:>12}" for name in ("", *GRADE_COLUMNS)))
        parts += [grade_line(row) for row in rows.iter_rows(named=True)]
        parts.append("")
    said = (
        "Errors in people, lower is better; coverage should be .90; skill and resolution, higher is better. Unofficial."
    )
    return "\n".join([*parts, said])


def grade_line(row: dict) -> str:
    """One forecaster's figures in columns."""
    cells = [f"{row['forecaster']:>12}"]
    for name, column in GRADE_COLUMNS.items():
        value = row[column]
        cells.append(f"{'–':>12}" if value is None else f"{value:>12.0f}" if name == "missing" else f"{value:>12.3f}")
    return "".join(cells)
