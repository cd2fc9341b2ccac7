"""A proposed profile as TOML that can be read back, a comment a line saying how sure and why."""

import json
import re
from collections.abc import Iterable

from pipeline.sources.profile import AS_WRITTEN, BY_SENSE, WAITS
from pipeline.sources.proposal import Placed, Proposal, is_named_like
from pipeline.sources.scales import scaled
from pipeline.sources.time_forms import STANDARD
from pipeline.sources.translation import Word, mark_between

MOST_ASKED = 25  # lines of words that a question shows [count]
LONGEST_WORD = 40  # characters of a word of theirs shown in a comment
MANY_DIGITS = re.compile(r"(?:\d\D?){7}")  # may be a telephone number: never shown


def profile_text(proposal: Proposal) -> str:
    """The profile as TOML.

    Lines are `ours = theirs  # how sure: why`. What could not be placed stands in comments at the end.
    """
    rows = len(proposal.raw.rows)
    lines = [
        f"# Proposed for {comment(proposal.file)}{proposal.others}, {counted(rows)}.",
        "# Each comment says how sure (a probability by names and values) and why; look at those below 0.90.",
        *(f"# NOTE: {comment(note)}" for note in proposal.notes),
        entry("kind", proposal.kind, "as asked"),
        *name_lines(proposal),
        entry("format", proposal.form, "1.00: by the file's first characters"),
        *file_lines(proposal),
        *zone_lines(proposal),
        *unlisted_lines(proposal),
        *column_lines(proposal),
        *time_lines(proposal),
        *list_lines(proposal),
        *scale_lines(proposal),
        *(line for placed in proposal.placed for line in word_lines(placed)),
        *asked_lines(proposal),
        *missing_lines(proposal),
        *spare_lines(proposal),
    ]
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """Text as a TOML basic string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def key(name: str) -> str:
    """A TOML key, quoted where it must be."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else quoted(name)


def comment(text: str) -> str:
    """Text on one line of a comment, without control characters."""
    return re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+", " ", text)


def entry(name: str, value: str | Iterable[str], why: str) -> str:
    """One line: a key, its value, and why."""
    shown = quoted(value) if isinstance(value, str) else "[" + ", ".join(map(quoted, value)) + "]"
    return f"{key(name)} = {shown}  # {comment(why)}"


def name_lines(proposal: Proposal) -> list[str]:
    """Which files the profile reads, where their names do not tell the kind."""
    if is_named_like(proposal.file, proposal.kind):
        return []
    files = proposal.files[0] if len(proposal.files) == 1 else proposal.files
    return [entry("files", files, "names of the files that it reads; * stands for anything")]


def file_lines(proposal: Proposal) -> list[str]:
    """The mark between columns and the encoding."""
    lines = []
    if proposal.delimiter is not None:
        lines.append(
            entry("delimiter", proposal.delimiter, f"divides the header into {len(proposal.raw.columns)} columns")
        )
    if proposal.encoding is not None:
        why = "not UTF-8; the usual Windows encoding" if proposal.encoding == "cp1252" else "two bytes a character"
        lines.append(entry("encoding", proposal.encoding, why))
    return lines


def zone_lines(proposal: Proposal) -> list[str]:
    """The zone of times that carry no offset: the file's own, the book's, else a comment that asks for it."""
    forms = [p.theirs.times for p in proposal.placed if p.ours.form == "time" and p.theirs.times is not None]
    local = [f for f in forms if f.is_local]
    if not local:
        return ["# zone: not needed; every time carries an offset or counts from 1970"] if forms else []
    if all(f.is_utc for f in local):
        return [entry("zone", "UTC", "the times say so")]
    if any(f.is_utc for f in local):
        return ["# zone = ?  # some times say UTC and others do not; ask who exported it"]
    if proposal.roster.zone:
        return [entry("zone", proposal.roster.zone, "the book's; the times carry no offset")]
    return [
        '# zone = ?  # the times carry no offset: an IANA zone like "America/Chicago"; without it the county\'s counts'
    ]


def unlisted_lines(proposal: Proposal) -> list[str]:
    """What becomes of a word that no file has held so far, as the one for `battery` before the power fails."""
    if not any(p.ours.form == "word" for p in proposal.placed):
        return []
    return [
        entry("unlisted", BY_SENSE, f'words not listed below are read by sense where that is clear; else "{WAITS}"')
    ]


def list_lines(proposal: Proposal) -> list[str]:
    """The mark between several values of a cell, where it is not ours."""
    lines = []
    for placed in proposal.placed:
        found = mark_between(placed.theirs, placed.ours)
        if found:
            why = f"stands in {placed.theirs.part(found[1])}"
            lines.append(entry(placed.ours.name, found[0], why))
    return ["", "[lists]  # the mark between the values of a cell", *lines] if lines else []


def scale_lines(proposal: Proposal) -> list[str]:
    """What numbers in another unit are multiplied with."""
    lines = []
    for placed in proposal.placed:
        theirs, ours = placed.theirs, placed.ours
        times = scaled(theirs.name, theirs.values, ours.kind, ours.name)[1] if ours.form == "number" else 1.0
        if times == AS_WRITTEN:
            lines.append(entry(ours.name, AS_WRITTEN, f"each value says its unit, as {next(iter(theirs.counts))}"))
        elif times != 1:
            known = sorted(theirs.numbers.drop_nulls().to_list())
            lines.append(f"{key(ours.name)} = {times:.10g}  # theirs are from {known[0]:.6g} to {known[-1]:.6g}")
    return ["", "[scale]  # numbers in another unit are multiplied with this", *lines] if lines else []


def column_lines(proposal: Proposal) -> list[str]:
    """Ours = theirs, with how sure and why."""
    if not proposal.placed:
        return []
    lines = ["", "[columns]  # ours = theirs"]
    return lines + [entry(p.ours.name, p.theirs.name, f"{p.sure:.2f}: {p.why}") for p in proposal.placed]


def asked_lines(proposal: Proposal) -> list[str]:
    """Lines that are not sure enough: a person moves them to where they belong, without the `#`."""
    if not proposal.asked:
        return []
    lines = ["", "# QUESTIONS: not sure enough to be read this way. Where it is right, write the line under [columns]:"]
    for placed in proposal.asked:
        why = comment(f"{placed.sure:.2f}: {placed.why}")
        lines.append(f"#   {key(placed.ours.name)} = {comment(quoted(placed.theirs.name))}  ({why})")
        patterns = time_patterns(proposal, [placed])
        lines += [f"#     and under [times]: {line}" for line in patterns]
        words = [f"{key(o)} = [{', '.join(shown(w.theirs) for w in m)}]" for o, m in placed.translation.words.items()]
        if words and len(words) <= MOST_ASKED:
            lines.append(f"#     and under [values.{key(placed.ours.name)}]: {'; '.join(words)}")
    return lines


def time_lines(proposal: Proposal) -> list[str]:
    """The patterns of each column of times that needs any."""
    lines = time_patterns(proposal, proposal.placed)
    return ["", "[times]  # strptime patterns, tried in order", *lines] if lines else []


def time_patterns(proposal: Proposal, many: list[Placed]) -> list[str]:
    """A line for each column of times that needs patterns; one without values has those of the file's others."""
    others = [p.theirs.times.patterns for p in proposal.placed if p.ours.form == "time" and p.theirs.times is not None]
    elsewhere = list(dict.fromkeys(pattern for patterns in others for pattern in patterns))
    lines = []
    for placed in many:
        forms = placed.theirs.times
        if placed.ours.form == "time" and not placed.theirs.values.len() and elsewhere:
            lines.append(entry(placed.ours.name, elsewhere, "no value in the sample; as the other times of the file"))
        if placed.ours.form != "time" or forms is None or not forms.patterns:
            continue
        # Some values may be in a form that needs no pattern: they are read without one.
        plain = sum(n for v, n in placed.theirs.counts.items() if STANDARD.fullmatch(v)) if not forms.is_epoch else 0
        sure = forms.share if forms.is_decided else min(forms.share, 0.6)
        why = f"{sure:.2f}: read {forms.read} of {forms.total}" + (f", {plain} of them without" if plain else "")
        if forms.order is not None:
            why += f"; {proposal.days.why}"
        lines.append(entry(placed.ours.name, forms.patterns, why))
    return lines


def word_lines(placed: Placed) -> list[str]:
    """Their words for a column of ours, and the words that a person has to place."""
    words, unknown = placed.translation.words, placed.translation.unknown
    lines = [entry(ours, [w.theirs for w in many], word_reason(many)) for ours, many in words.items()]
    lines += [
        f"# not placed: {shown(text)}, {counted(count)}: add it to the line of its meaning"
        for text, count in unknown[:20]
    ]
    if len(unknown) > 20:
        lines.append(f"# not placed: {len(unknown) - 20} more words")
    return ["", f"[values.{key(placed.ours.name)}]  # ours = theirs", *lines] if lines else []


def word_reason(words: list[Word]) -> str:
    """How sure the doubtful one of several words is, and in how many rows they occur."""
    least = min(words, key=lambda w: w.sure)
    sure = f"{least.sure:.2f}: "
    doubt = f"; {shown(least.theirs)} is the least sure" if least.sure < 0.9 and len(words) > 1 else ""
    return f"{sure}{counted(sum(w.rows for w in words))}{doubt}"


def counted(rows: int) -> str:
    """A number of rows."""
    return f"{rows} row" if rows == 1 else f"{rows} rows"


def shown(text: str) -> str:
    """A word of theirs in a comment, cut; never what may be a telephone number."""
    if MANY_DIGITS.search(text):
        return "(a word with many digits)"
    return comment(quoted(text[:LONGEST_WORD] + ("…" if len(text) > LONGEST_WORD else "")))


def missing_lines(proposal: Proposal) -> list[str]:
    """Ours that are required and that nothing fits, with what to do; and ours that are simply not there."""
    lines = []
    if proposal.missing:
        lines += ["", "# REQUIRED, and nothing fits; no row is accepted until each has a line:"]
        lines += [f"#   {ours.name}: {comment(what)}" for ours, what in proposal.missing]
    if proposal.unused:
        lines += ["", "# Not in this file, as far as can be seen: " + ", ".join(o.name for o in proposal.unused)]
    return lines


def spare_lines(proposal: Proposal) -> list[str]:
    """Theirs that were not placed; they are kept as attributes."""
    if not proposal.spare:
        return []
    lines = ["", "# Theirs that could not be placed; they are kept with each row as attributes, as they came:"]
    return lines + [f"#   {shown(t.name)}" + (f": {comment(why)}" if why else "") for t, why in proposal.spare]
