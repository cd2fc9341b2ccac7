"""Calls that tell how an earlier one went on: "the ballots came", "still locked", "never mind".

They seldom name the trouble, and come hours later, so that neither their words nor the time tell what they are about:
what is still open at the place does, above all where both share words that few other tickets hold.
"""

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import timedelta
from typing import Any

from pipeline.normalise.examples import UNHEARD

HOURS = timedelta(hours=8)  # an open ticket is what a call with news is about for this long: our choice
# Where nobody writes down when a ticket was closed: how long one lasts on average [h] (docs/methods/reading.md), and
# what it tells that one is open [natural log of odds] (`still_open` and `lasts` of `linkage.WEIGHTS`).
LAST_HOURS, OPEN_ODDS = 1.0, 4.0
OLD, ENOUGH_OLD = timedelta(hours=2), 10  # so many tickets so old, and none closed: nobody writes it down. Our choice
SINCE = re.compile(r"\bsince\s+(?:\w+\s+){0,2}$", re.I)
HELD = timedelta(minutes=10)  # after its end a call of its kind tells that the fix did not hold: our choice
JUST_CLOSED = timedelta(minutes=3)  # who has mended it writes down that it is done, and what it was: our choice
AT_END = (timedelta(minutes=-2), JUST_CLOSED)  # of the end of a ticket, where a call may tell of it: our choice
NEVER = ("procedure", "other")  # a question asked again is another question

# Words by which a call tells that it is about something else than an earlier one.
ANOTHER = re.compile(
    r"\b(?:different|diff|sep[ae]rate|unrelated|another|new)\s+(?:problem|prob|issue|trouble|matter|thing|question|fault)\b"
    r"|\bdiff(?:erent)?\s+(?:from|than|one|to)\b|\bnot\s+(?:the\s+)?(?:same|one\s+(?:from|that|i|we)|like\s+(?:this|before|earlier|the))\b"
    r"|\bnot\s+the\s+\w+\s+(?:from|of)\s+(?:this|before|earlier)\b|\bunrelated\b|\bsep[ae]rate(?:ly)?\b|\bnothing\s+to\s+do\s+with\b"
    r"|\bdifferent\s+(?:ballot|sheet|voter|paper|page|machine|scanner|tablet|book)\b|\b(?:another|new)\s+(?:jam|one\s+now)\b"
    r"|\bnot\s+the\s+(?:one|\w+\s+one|jam)\s+(?:your|you|they|he|she|we|which|this|at)\b"
    r"|\bnot\s+this\s+morning'?s\b|\bfirst\s+(?:one\s+)?since\b"
    r"|\banother\s+(?:one\s+)?(?:stuck|jammed|torn|dead|down|out)\b|\b(?:cleared|fixed|freed)\s+the\s+(?:one|first|last)\b"
    r"|\bthis\s+(?:one\s+|time\s+)?is\s+(?:a\s+)?(?:diff?er\w*|diff\b|another\b|new\b|some\s?thing\s+else)|\bsome\s?thing\s+else\s+(?:now|entirely|altogether)\b"
    r"|\b(?:first|last)\s+time\s+(?:was|got)\s+(?:fixed|cleared|solved|freed)\b"
    r"|\bthe\s+one\s+(?:from|at|before|after|shortly|earlier|this)\b[^.;!?]{0,30}?\b(?:was|got)\s+(?:fixed|cleared|clrd|freed|pulled|out|resolved)\b"
    r"|\bthis\s+time\b(?!\s+(?:me|one\s+of)\b)|\bother\s+than\s+that\b|\b(?:fine|ok|okay|good|fixed|cleared|resolved)\s+(?:now\s+)?(?:since|after)\b",
    re.I,
)

AFTERTHOUGHT = re.compile(  # what follows is about something else, and the call is not
    r"\b(?:one\s+(?:more|other|last)\s+thing|other\s+matters|p\.?\s?s\b\.?|by\s+the\s+way|btw|on\s+another\s+note)",
    re.I,
)
POINTS_BACK = re.compile(  # "that book never did wake up", "where are those forms"
    r"(?:^|[.;!?]\s+|states\s+)(?:(?:and|so|ok|but|where(?:'s| is| are)|about|re|regarding|(?:any\s+)?news\s+on)\s+)*"
    r"(?:that|those|the\s+same|same)\s+(?!(?:is|was|are|were|said|way|means?|one|we|they|he|she|it|you|i)\b|'s)[a-z0-9]",
    re.I,
)


def words_of_note(clauses: Iterable[Sequence[tuple[str, str]]]) -> frozenset[str]:
    """The words that may tell what a text is about, without their endings, slips put right, and numbers.

    Parameters
    ----------
    clauses : of each clause the words that count: the stem, and digits or the word itself
    """
    pairs = [pair for clause in clauses for pair in clause]
    numbers = {said for _, said in pairs if said.isdigit() and len(said) > 1}
    return frozenset(numbers | {w for w, said in pairs if len(w) > 2 and not said.isdigit() and w not in UNHEARD})


def tells_end(ends: re.Pattern[str], text: str) -> bool:
    """Whether a text tells that something ended, other than as a time since when ("since last emptied")."""
    text = text.lower()
    return any(not SINCE.search(text, max(0, m.start() - 24), m.start()) for m in ends.finditer(text))


def rarity(sets: Sequence[frozenset[str]]) -> dict[str, float]:
    """How rare each word of note is among the tickets: log(tickets / tickets with it)."""
    return {word: math.log(len(sets) / n) for word, n in Counter(w for words in sets for w in words).items()}


def shared(rare: dict[str, float], one: frozenset[str], other: frozenset[str]) -> float:
    """How much two tickets share: the sum of the rarity of their common words."""
    common = one & other
    return math.fsum(rare.get(word, 0.0) for word in common) if common else 0.0


def are_closed(rows: Sequence[dict[str, Any]]) -> bool:
    """Whether the hotline writes down when a ticket was closed, as far as can be seen: an open ticket is open then.

    Parameters
    ----------
    rows : readings in the order of opening
    """
    old = sum(rows[-1]["opened_at"] - row["opened_at"] > OLD for row in rows)
    return old < ENOUGH_OLD or any(row["resolved_at"] for row in rows)


def was_open(other: dict[str, Any], row: dict[str, Any]) -> float:
    """How far it counts that an earlier ticket was open, or just closed, when another was opened, 0 to 1.

    Where nobody writes it down (`are_closed`), it counts as far as tickets last so long.
    """
    if row["are_closed"]:
        return float(other["resolved_at"] is None or other["resolved_at"] > row["opened_at"] - JUST_CLOSED)
    hours = (row["opened_at"] - other["opened_at"]).total_seconds() / 3600
    chance = math.exp(-hours / LAST_HOURS)
    return math.log1p(chance * math.expm1(OPEN_ODDS)) / OPEN_ODDS


def is_at_end(other: dict[str, Any], row: dict[str, Any]) -> bool:
    """Whether a ticket was opened while an earlier one was being closed."""
    ended = other["resolved_at"]
    return row["are_closed"] and ended is not None and AT_END[0] <= row["opened_at"] - ended <= AT_END[1]


def tells_of_another(text: str) -> bool:
    """Whether a call tells that it is about something else than an earlier one, but for what it says by the way."""
    return ANOTHER.search(AFTERTHOUGHT.split(text, 1)[0]) is not None
