"""Tickets that tell of one trouble: a caller who calls again, or two callers about one jam."""

import re
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from rapidfuzz import fuzz, process

from pipeline.normalise import asides, follow_ups, linkage, units, weighing

# Minutes after which a further call is about something else, and how alike two texts must be [0-100]: our choice, set
# on half of the sample days, checked on the other half (docs/methods/reading.md).
CALLBACK_MINUTES = 150.0
AGAIN_MINUTES = 35.0  # a caller who says so calls again: at least this long back
ALIKE = 84.0
# Two callers, other words, same site and category [min]. Lines come and go: for them the counts decide (LINE_MINUTES).
TOLD_AGAIN_MINUTES = {
    "scanner-jam": 30, "scanner-down": 45, "bin-full": 60, "memory-card": 40, "tape-printer": 40, "bmd": 40,
    "accessible-device": 45, "poll-book": 40, "power": 60, "ballot-stock": 60, "seal": 40, "transmission": 40,
    "long-line": 0, "site-access": 45, "conduct": 25, "safety": 30, "staffing": 30,
}  # fmt: skip
LINE_MINUTES = 30.0  # two callers about one line: at most this far apart [min], our choice
UNCOUNTED_MINUTES = 15.0  # two callers of whom neither counts, while the first ticket is open: at most so far apart
LINE_ALIKE = 0.8  # and the smaller count at least this share of the larger: our choice
ALIKE_CHANCE, SAME_UNIT_CHANCE, SAME_KIND_CHANCE, LINE_CHANCE = 0.95, 0.9, 0.8, 0.5  # our choice
UNIT_SURE = 0.85  # link from which a call is of the unit of the other, where it names none [probability]: our choice
MOST_SURE = 0.95  # no link is surer than one by texts that are alike
AGAIN = re.compile(
    r"^\W*(?:again\b|2nd call|second call|3rd call|third call|update(?:\s+(?:pls|please|on))?|still no fix"
    r"|same as before|calling (?:back|again)"
    r"|called (?:back|again)|any update|follow(?:ing)? up|following-up|repeat call|re:|as (?:i )?(?:said"
    r"|reported) (?:before|earlier)|call ?back)\b[\s:,.;-]*",
    re.I,
)
SAYS_AGAIN = re.compile(
    r"\bsame site\b"
    r"|\b(?:2nd|second|3rd|third)\s+(?:time\s+)?call|\bcall(?:ed|ing)\s+(?:again|back)\b|\bstill no (?:fix|one|rover"
    r"|help)|\bsame as before|\bupdate\s+(?:pls|please)"
    r"|\bfollow(?:ing)?[\s-]up|\bas reported|\bstill waiting (?:for|on)\b",
    re.I,
)
LEADS = re.compile(
    r"^\W*(?:vm|rcvd call|from text|walk up to rover|per \w+|spoke w/? ?\w+|judge says|pw reports|poll mgr says"
    r"|they say|hi|hello|hey|fyi|jic"
    r"|ok so|quick q|not urgent but|urgent|update|just want to say)\b[\s:,.-]*",
    re.I,
)

MASKED, MARKS = re.compile(r"\[(?:phone|name|email)\]"), re.compile(r"[^a-z0-9]+")


def link(rows: list[dict[str, Any]], rare: dict[str, float]) -> None:
    """Fill `same_as` of each row with the earlier ticket that it repeats, where there is one.

    Parameters
    ----------
    rows : readings in the order of opening, with `opened_at`, `resolved_at`, `text` and what `linkage.odds` compares
    rare : how rare each word is (`follow_ups.rarity`)
    """
    at_site: dict[str, list[dict[str, Any]]] = defaultdict(list)
    heads: dict[str | None, str] = {}  # the first ticket of each ticket's trouble
    are_closed = follow_ups.are_closed(rows)
    for row in rows:
        site = row["site_id"]
        if site is None:
            continue
        earlier = at_site[site]
        row["are_closed"] = are_closed
        row["core"] = core(row["text"])
        row["again"] = bool(SAYS_AGAIN.search(row["text"]) or AGAIN.match(row["text"]))
        row["same_as"], row["same_as_confidence"] = repeated(row, earlier, rare)
        heads[row["ticket_id"]] = row["head"] = heads.get(row["same_as"], row["ticket_id"])
        earlier.append(row)


def core(text: str) -> str:
    """A text without what is said before the trouble ("2nd call", "update pls"), lower case."""
    text = asides.without_caller(MASKED.sub(" ", text).strip())
    for form in (AGAIN, LEADS, AGAIN, LEADS):
        text = form.sub("", text)
    return MARKS.sub(" ", text.lower()).strip()


def repeated(
    row: dict[str, Any], earlier: Sequence[dict[str, Any]], rare: dict[str, float]
) -> tuple[str | None, float | None]:
    """The earlier ticket that a ticket repeats, the likeliest and of such the latest, and the chance that it does."""
    best: tuple[float, float, int] | None = None
    first = bisect_left(earlier, row["opened_at"] - follow_ups.HOURS, key=lambda r: r["opened_at"])
    by_time = [other for other in earlier[:first] if linkage.names_its_time(row, other)]
    near = [other for other in [*by_time, *earlier[first:]] if not tells_new_danger(row, other)]
    if row["mates"] and row["unit_id"] is None and "unit_id" not in row["settled"]:  # "now the other one too"
        row["unit_id"] = next((m for o in reversed(near) if (m := row["mates"].get(o["unit_id"]))), None)
        row["unit_said"] = row["unit_id"]
    alike = process.cdist([row["core"]], [other["core"] for other in near], scorer=fuzz.ratio, score_cutoff=ALIKE)
    by_all = linkage.chances(rare, row, near)
    for i, other in enumerate(near):
        sure, told = chance(row, other, float(alike[0, i]), by_all[i])
        if sure >= linkage.LIKELY and (best is None or (sure, told, i) > best):
            best = (sure, told, i)
    take_over(row, near, by_all, rare)
    kind = units.CATEGORY_TYPE.get(row["category"], "")
    if row["unit_id"] is None and units.kind_chance(row["category"], row["chances"]) >= units.SURE_ENOUGH:
        row["unit_id"] = row["only_units"].get(kind)  # by what it was taken to be about, as for any ticket
    if best is None:
        return None, None
    other = near[best[2]]
    if row["category"] == other["category"] and best[0] >= UNIT_SURE:
        share_unit(row, [o for o in near if o["head"] == other["head"] and o["category"] == row["category"]])
    return other["ticket_id"], best[0]


def share_unit(row: dict[str, Any], others: Sequence[dict[str, Any]]) -> None:
    """Lets the tickets of one trouble that name no unit be of the one that another of them is of."""
    row["unit_id"] = row["unit_id"] or others[-1]["unit_id"]
    for other in others:
        if other["unit_id"] is None and row["unit_said"] and "unit_id" not in other["settled"]:
            other["unit_id"] = row["unit_said"]


def tells_new_danger(row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a call tells of danger to people of which the earlier ticket told nothing: somebody has to hear of it."""
    tells_danger = "safety" in row["categories"] and not row["names_none"]
    return tells_danger and "safety" not in other["categories"]


def take_over(
    row: dict[str, Any], earlier: Sequence[dict[str, Any]], by_ticket: Sequence[float], rare: dict[str, float]
) -> None:
    """Lets a call be about what the tickets that it may be of are about, as far as it may be; an answer stands.

    The chance of each category is a mixture: that of each earlier trouble by the chance that the call is of it, and
    that of the call's own words by the chance that it is of none. Words that are sure are taken as they are, unless
    the other ticket says some of them too.

    Parameters
    ----------
    by_ticket : the chance that the call is of each earlier ticket's trouble; those of one trouble have one chance
    """
    if row["category_confidence"] >= 1.0:
        return
    of: dict[str, tuple[float, dict[str, Any]]] = {}
    for other, sure in zip(earlier, by_ticket, strict=True):
        if not linkage.keeps_own(row, other, rare):
            of[other["head"]] = (sure, other)
    if not of:
        return
    none = 1.0 - sum(sure for sure, _ in of.values())
    mixed = {category: none * chance for category, chance in row["chances"].items()}
    for sure, other in of.values():
        for category, chance in other["chances"].items():
            mixed[category] = mixed.get(category, 0.0) + sure * chance
    best = max(sorted(mixed), key=lambda c: mixed[c])
    row["chances"], row["category_confidence"] = mixed, min(weighing.MOST_SURE, mixed[best])
    if best != row["category"]:
        _, other = max(of.values(), key=lambda pair: pair[0])
        row["category"], row["categories"] = best, [best, *(c for c in row["categories"] if c != best)]
        row["decided_by"] = f"news of {other['ticket_id']}"
        if best == other["category"]:
            row["severity"] = other["severity"]


def chance(row: dict[str, Any], other: dict[str, Any], whole: float, by_all: float) -> tuple[float, float]:
    """The probability that two tickets of one site tell of one trouble, and how alike their texts are (0: not enough).

    Parameters
    ----------
    whole : how alike their texts are, `ALIKE` to 100, or 0
    by_all : the probability by all that they have in common (`linkage.py`)
    """
    minutes = minutes_between(other["opened_at"], row["opened_at"])
    is_near = row["core"] and minutes <= CALLBACK_MINUTES
    told = (whole or beginning_likeness(row["core"], other["core"])) if is_near else 0.0
    if told >= ALIKE and (len(row["core"]) >= 12 or row["again"]):
        return ALIKE_CHANCE, told
    if row["unit_said"] and other["unit_said"] and row["unit_said"] != other["unit_said"]:
        return 0.0, 0.0
    return max(two_callers(row, other, minutes), min(MOST_SURE, by_all)), 0.0


def two_callers(row: dict[str, Any], other: dict[str, Any], minutes: float) -> float:
    """The probability that two calls shortly one after the other, of one kind of trouble, are of one trouble."""
    if row["is_another"] or (row["category"] != other["category"] and row["category"] not in other["categories"]):
        return 0.0
    if row["are_closed"] and other["resolved_at"] and row["opened_at"] - other["resolved_at"] >= follow_ups.HELD:
        return 0.0  # what is said after the end is of another trouble
    within = TOLD_AGAIN_MINUTES.get(row["category"], 0.0)
    if row["again"] and row["category"] == other["category"]:
        within = max(2 * within, AGAIN_MINUTES)
    is_same_unit = row["category"] in units.CATEGORY_TYPE and row["unit_id"] and row["unit_id"] == other["unit_id"]
    if is_same_unit and row["category"] != "scanner-jam":
        within *= 1.5  # a jam that was cleared comes again, other troubles last
    if row["line_said"] and other["line_said"] and row["line_said"] != other["line_said"]:
        return 0.0
    if is_one_line(row, other):
        return LINE_CHANCE if minutes <= max(within, LINE_MINUTES) else 0.0
    if minutes > within:
        return 0.0
    return SAME_UNIT_CHANCE if is_same_unit else SAME_KIND_CHANCE


def is_one_line(row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether two tickets of a long line count about as many people, or none soon after; no chains: lines move on."""
    if other["same_as"] or not row["category"] == other["category"] == "long-line":
        return False
    if row["waiting_said"] is None and other["waiting_said"] is None:
        minutes = minutes_between(other["opened_at"], row["opened_at"])
        is_open = row["are_closed"] and follow_ups.was_open(other, row) == 1.0
        return is_open and minutes <= UNCOUNTED_MINUTES and not (row["is_no_line"] or other["is_no_line"])
    counts = sorted(r["waiting_said"] or 0.0 for r in (row, other))
    return counts[0] > 0 and counts[0] >= LINE_ALIKE * counts[1]


def beginning_likeness(one: str, other: str) -> float:
    """How alike a text cut short is to the beginning of a longer one, `ALIKE` to 100, or 0."""
    short, long = (one, other) if len(one) <= len(other) else (other, one)
    if len(short) < 12 or len(short) < 0.3 * len(long) or short[:3] != long[:3]:
        return 0.0
    return fuzz.ratio(short, long[: len(short)], score_cutoff=ALIKE)


def minutes_between(start: datetime, end: datetime) -> float:
    """Minutes from one time to another."""
    return (end - start).total_seconds() / 60
