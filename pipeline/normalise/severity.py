"""How bad a ticket is, 1 (worst) to 4, and what the place's own state adds to the reading of its words.

1: someone may be hurt, all check-in has stopped, or no way is left to cast a ballot.
2: the only scanner has stopped while the emergency compartment serves, or the place's only accessible unit is out.
3: slower. 4: a question. Our choice, after "danger first" and the two facts of the trade that a stopped scanner with a
usable emergency compartment does not stop voting and that an absent accessible device at the only accessible unit is a
matter of severity 1-2 (common practice, no source).
"""

import re
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from pipeline.contracts.known import Known
from pipeline.normalise import units
from pipeline.normalise.crowds import Crowd
from pipeline.normalise.kept import kept

ROSTERS_KEPT = 2  # the present one, and that of a past moment [count]
AROUND = timedelta(minutes=25)  # an outage speaks for a ticket opened this long after it ended [min]: our choice
ALL_OUT = re.compile(
    r"\b(?:all|both|every|none of|neither|only|each)\b[^.;]{0,30}\b(?:scan|scnr|tabul|poll\s?book|epb|epsb|tablet"
    r"|ipad|laptop|check|machine|bmd)"
    r"|\bno\s+(?:scanner|tabulator|poll\s?book|tablet)s?\s+(?:work|left)|\beverything\s+(?:is\s+)?(?:down|dead|off"
    r"|dark|out)"
)
STOPPED = re.compile(
    r"\b(?:cant|can't|cannot|unable to|not able to|no way to|nobody can|no one can)\s+(?:\w+\s+){0,2}?(?:vote|check"
    r"|cast|issue|open|process|let)"
    r"|\bvoting\s+(?:has\s+)?(?:stopped|halted|suspended|stop)|\bturning\s+(?:voters|people|them)\s+away"
    r"|\bturned\s+away|\bstopped\s+voting|\bat a standstill"
)
SERVED = re.compile(
    r"\b(?:emergency|aux|auxiliary|side)\s+(?:bin|slot|box|compartment)|\bpaper\s+(?:list|book|roster|backup|poll)"
    r"|\bbackup\s+(?:list|book|roster)"
    r"|\bvoting\s+(?:still\s+)?(?:continues|going)|\bstill\s+voting|\bone\s+(?:still\s+)?works|\bother\s+(?:one"
    r"|scanner|unit)\s+(?:is\s+)?(?:ok|fine|works|working)"
)
OVER = re.compile(
    r"\b(?:ok|fine|back|works|working|up|cleared|resolved|fixed)\s+(?:on\s+)?now\b|\bback\s+on\b|\bresolved itself"
    r"|\bback up\b|\bonly a few sec"
)
GONE = re.compile(r"\b(?:out of|no more|ran out|run out|no)\s+(?:\w+\s+){0,2}?(?:ballots?|blts?|paper)\b")
HURT = re.compile(r"\b(?:no(?:body| one)?\s+(?:was\s+|is\s+|got\s+)?(?:hurt|injur\w*)|no\s+injur\w*)")
USUAL = {
    "safety": 1, "scanner-jam": 3, "scanner-down": 3, "power": 2, "poll-book": 3, "bmd": 3, "accessible-device": 2,
    "tape-printer": 3, "ballot-stock": 3, "bin-full": 3, "seal": 3, "memory-card": 3, "transmission": 3, "long-line": 3,
    "site-access": 3, "staffing": 3, "conduct": 3, "procedure": 4, "other": 4,
}  # fmt: skip


@dataclass(frozen=True)
class SiteFacts:
    """What the rosters and the utility's list say about a site."""

    scanners: int = 0
    markers: int = 0
    books: int = 0
    opens_at: datetime | None = None
    closes_at: datetime | None = None
    outages: tuple[tuple[datetime, datetime | None], ...] = ()

    def context(self, at: datetime, shown: Mapping[str, float]) -> dict[str, float]:
        """Weight that the hour and the state of the place add to a category.

        Parameters
        ----------
        shown : the same by what units and lines showed then
        """
        added = dict(shown)
        if any(start <= at and (end is None or at <= end + AROUND) for start, end in self.outages):
            added["power"] = added.get("power", 0.0) + 1.0
        hour: dict[str, float] = {}
        if self.closes_at and at >= self.closes_at - timedelta(minutes=15):
            hour = {"transmission": 0.6, "tape-printer": 0.6, "memory-card": 0.6}
        else:
            added.pop("transmission", None)  # nothing is sent before closing: a modem that is down says nothing yet
        if self.opens_at and at <= self.opens_at:
            hour = {"site-access": 0.4, "tape-printer": 0.4, "seal": 0.4}
        return added | {category: added.get(category, 0.0) + weight for category, weight in hour.items()}


NO_FACTS = SiteFacts()


def site_facts(known: Known) -> Mapping[str | None, SiteFacts]:
    """The facts of every rostered site."""
    return facts_of(
        known.sites.select("site_id", "circuit", "opens_at", "closes_at"),
        known.units.select("site_id", "type").drop_nulls("site_id").sort("site_id", "type"),
        known.outages.sort("outage_id").select("circuit", "started_at", "restored_at"),
    )


@kept(ROSTERS_KEPT)
def facts_of(sites: pl.DataFrame, units_there: pl.DataFrame, out: pl.DataFrame) -> Mapping[str | None, SiteFacts]:
    """`site_facts`, from the rosters and the utility's list."""
    kinds: dict[str, Counter[str]] = defaultdict(Counter)
    for site_id, type_ in units_there.iter_rows():
        kinds[site_id][type_] += 1
    outages: dict[str, list[tuple[datetime, datetime | None]]] = defaultdict(list)
    for circuit, start, end in out.iter_rows():
        outages[circuit].append((start, end))
    facts: dict[str | None, SiteFacts] = {}
    for row in sites.to_dicts():
        count = kinds[row["site_id"]]
        facts[row["site_id"]] = SiteFacts(
            scanners=sum(count[t] for t in units.TYPES["scanner"]),
            markers=sum(count[t] for t in units.TYPES["bmd"]),
            books=sum(count[t] for t in units.TYPES["pollbook"]),
            opens_at=row["opens_at"],
            closes_at=row["closes_at"],
            outages=tuple(outages.get(row["circuit"] or "", ())),
        )
    return facts


def severity(category: str, found: list[str], text: str, crowd: Crowd, facts: SiteFacts, at: datetime) -> int:
    """1 (worst) to 4, as this module's docstring ranks them."""
    words = text.lower()
    level = USUAL[category]
    is_all = bool(ALL_OUT.search(words))
    is_served = bool(SERVED.search(words))
    is_stopped = bool(STOPPED.search(words)) and not is_served
    if category == "safety" or "safety" in found:
        return 2 if HURT.search(words) else 1
    if category in ("scanner-down", "scanner-jam", "bin-full", "memory-card") and (is_all or facts.scanners == 1):
        level = 1 if is_stopped else 2
    if category == "poll-book" and (is_all or facts.books == 1):
        level = 2 if is_served else 1
    if category == "accessible-device" or (category == "bmd" and (is_all or facts.markers == 1)):
        level = 2
    if category == "ballot-stock" and GONE.search(words) and not is_served:
        level = 1
    if category == "power" and is_stopped:
        level = 1
    if category == "tape-printer" and facts.opens_at and at <= facts.opens_at:
        level = 2  # polls cannot open without a zero report
    if category in ("site-access", "staffing") and (is_stopped or (facts.opens_at and at <= facts.opens_at)):
        level = 1 if is_stopped else 2
    if category == "long-line" and ((crowd.waiting or 0) >= 100 or "leaving" in words):
        level = 2
    if OVER.search(words) and level in (2, 3):
        level = 3
    return level
