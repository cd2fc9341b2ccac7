"""What a ticket is about: category, severity and the numbers in line, read out of a caller's words."""

import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import polars as pl
from pandera.typing.polars import DataFrame

from pipeline.contracts.events import TicketReadings
from pipeline.contracts.known import Known, empty
from pipeline.normalise import (
    again,
    asides,
    corrections,
    crowds,
    examples,
    follow_ups,
    gazetteer,
    places,
    places_told,
    printed,
    questions,
    same,
    severity,
    signs,
    slips,
    times_told,
    unit_others,
    unit_roster,
    units,
    weighing,
    wording,
)
from pipeline.normalise.clauses import leaning, matches_that_hold, read_clause
from pipeline.normalise.weighing import ASKED, ENOUGH, STRONG, Reading, names_none, weigh
from pipeline.normalise.wording import Vocabulary

STORY = 35  # words from which a text is a story, whose order says nothing: our choice
SURE = 7.0  # weight from which the words one by one no longer count
DOUBT = 0.98  # chance of a site below which the text is looked into for its place: our choice
LATER = 0.85  # each later trouble of a ticket counts this much of the one before: callers put the main one first


LETTERS = re.compile(r"[a-z]+")
WORD = re.compile(r"[^\W\d_]{3}")  # what a tag or a number has not


@dataclass
class Heard:
    """What the clauses of a text have told so far."""

    best: dict[str, float] = field(default_factory=dict)
    extra: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    why: dict[str, str] = field(default_factory=dict)
    ranks: dict[str, int] = field(default_factory=dict)  # how many troubles had been told of before each category
    clauses: list[list[tuple[str, str]]] = field(default_factory=list)  # without the words about the call
    counts: list[float] = field(default_factory=list)  # how much the words of each clause count
    main: list[str] = field(default_factory=list)  # the words of clauses that are not told in passing
    rank: int = 0
    is_story: bool = False  # whether the text is long, so that what is told first is seldom the trouble

    def add(
        self, clause: list[tuple[str, str]], scores: dict[str, float], words: dict[str, str], share: float = 1.0
    ) -> None:
        """Adds what one clause says, of which `share` counts."""
        self.clauses.append(clause)
        later, later_alike = (1.0, 1.0) if self.is_story else (LATER, examples.LATER)
        self.counts.append(share * later_alike**self.rank)
        self.main += [word for word, _ in clause] if share == 1.0 else []
        for category, value in scores.items():
            value *= share * later**self.rank
            if value > self.best.get(category, 0.0):
                self.extra[category] += self.best.get(category, 0.0)
                self.best[category], self.why[category] = value, words[category]
                if value >= ENOUGH:
                    self.ranks.setdefault(category, self.rank)
            else:
                self.extra[category] += value
        self.rank += share == 1.0 and max(scores.values(), default=0.0) >= ENOUGH

    def total(self) -> dict[str, float]:
        """The weight of each category."""
        return {c: v + 0.25 * min(4.0, self.extra[c]) for c, v in self.best.items()}


@lru_cache(maxsize=50_000)
def read_text(text: str, carried: str = "", book: Vocabulary | None = None, is_outcome: bool = False) -> Reading:
    """What a text says.

    Parameters
    ----------
    carried : the thing that the unit's name or type gives ("scanner")
    is_outcome : whether it tells how a trouble ended: then "cleared" is what it is about, and nothing is an aside
    """
    book = book or wording.vocabulary()
    clauses = wording.clauses_with_shares(book, text)
    heard = Heard(is_story=sum(len(words) for words, _ in clauses) >= STORY)
    things: set[str] = set()
    carry = frozenset({carried} - {""})
    for words, told in clauses:
        found, noise = matches_that_hold(book, words)
        scores, words_for, carry = read_clause(book, words, found, carry)
        share = 1.0 if is_outcome or "safety" in scores else told  # danger is never told in passing
        heard.add([pair for i, pair in enumerate(words) if i not in noise], scores, words_for, share)
        things |= carry
    total = heard.total()
    before = questions.before_question(text)
    if before is not None and total.get("other", 0.0) < STRONG and not tells_of_trouble(before, carried, book):
        total["procedure"] = total.get("procedure", 0.0) + ASKED
        heard.why.setdefault("procedure", "asked")
        heard.ranks.setdefault("procedure", 0)
    need = max(0.0, 1.0 - max(total.values(), default=0.0) / SURE)  # a phrase of the trade leaves nothing to lean on
    for category, lean in leaning(book, heard.main if need else []).items():
        total[category] = total.get(category, 0.0) + need * lean
    sums, alike_words, pairs = examples.likeness(book.examples, heard.clauses, heard.counts)
    return Reading(
        scores=tuple(sorted(total.items())),
        words=tuple(sorted(heard.why.items())),
        ranks=tuple(sorted(heard.ranks.items())),
        things=frozenset(things),
        alike=tuple(sorted(sums.items())),
        alike_words=tuple(sorted(alike_words.items())),
        length=sum(map(len, heard.clauses)),
        asks=questions.asks(text),
        pairs=pairs,
        notes=follow_ups.words_of_note(heard.clauses),
    )


def tells_of_trouble(text: str, carried: str, book: Vocabulary) -> bool:
    """Whether what was said before a question is a trouble by itself."""
    scores = read_text(text, carried, book).scores if text.strip() else ()
    return any(c != "procedure" and v >= STRONG for c, v in scores)


@dataclass(frozen=True)
class Scene:
    """What is known beside the tickets: the rosters, what units and lines showed, and what people have settled."""

    atlas: gazetteer.Gazetteer
    stock: unit_roster.UnitBook
    facts: Mapping[str | None, severity.SiteFacts]
    shown: signs.Signs
    settled: corrections.Corrections
    book: Vocabulary
    threshold: float
    printed: frozenset[str]
    zone: ZoneInfo


def scene(known: Known) -> Scene:
    """The scene at T."""
    book = wording.vocabulary(known.vocabulary)
    lines = printed.printed(
        known.tickets.select("site", "text").rows(), lambda text: weigh(read_text(text, "", book), None, {})[0]
    )
    return Scene(
        atlas=gazetteer.gazetteer(known.sites),
        stock=unit_roster.unit_book(known.units),
        facts=severity.site_facts(known),
        shown=signs.signs(known),
        settled=corrections.corrections(known),
        book=book,
        threshold=known.settings["tickets.site_threshold"],
        printed=lines,
        zone=ZoneInfo(known.county.zone),
    )


def read_tickets(known: Known) -> DataFrame[TicketReadings]:
    """What every ticket known by T says, one row each."""
    if known.tickets.is_empty():
        return empty(TicketReadings)  # type: ignore[return-value]
    around = scene(known)
    slips.put_all_right(around.book, set(LETTERS.findall("\n".join(known.tickets["text"].drop_nulls()).lower())))
    tickets = [(t, words_of(t, around)) for t in known.tickets.sort("opened_at", "ticket_id").to_dicts()]
    strange = weighing.strangeness(said.reading for _, said in tickets)
    rows = [read_ticket(ticket, said, around, strange) for ticket, said in tickets]
    same.link(rows, follow_ups.rarity([said.reading.notes for _, said in tickets]))
    corrections.linked(rows, around.settled)
    schema = empty(TicketReadings).schema
    frame = pl.DataFrame([[row[name] for row in rows] for name in schema], schema=schema)
    return TicketReadings.validate(frame.sort("ticket_id"))


def site_and_unit(ticket: dict[str, Any], text: str, around: Scene) -> tuple[str | None, float, str | None]:
    """The site, how sure it is, and the unit as far as the caller's words for it tell."""
    unit_said = ticket["unit"] or ""
    settled = around.settled.of(ticket["ticket_id"])
    meant = around.stock.by_id.get(settled.get("unit_id") or "")
    if settled.get("site_id"):
        site_id, sure = settled["site_id"], 1.0
    elif meant is not None and meant.site_id:
        site_id, sure = meant.site_id, 1.0
    else:
        named = units.sites_named(around.stock, unit_said, text)
        site, sure = places.site_of(around.atlas, ticket["site"] or "", named)
        is_open = sure < max(DOUBT, around.threshold)  # a name that two sites share, or none
        if is_open or (named and site not in named):  # the text may tell
            told, beside = places_told.named_in(around.atlas, text), places_told.words_beside(around.atlas, text)
            called = units.sites_called(around.stock, unit_said, text)
            site, sure = places.site_of(around.atlas, ticket["site"] or "", named, told, beside, called)
        site_id = site if sure >= around.threshold and "site_id" not in settled else None
    if "unit_id" in settled:
        return site_id, sure, settled["unit_id"]
    return site_id, sure, units.unit_of(around.stock, site_id, unit_said, text)


class Words(NamedTuple):
    """What one ticket's words say, before anything is weighed: its place and unit as far as they tell, and the rest."""

    text: str
    site_id: str | None
    site_confidence: float
    unit_id: str | None
    kind: str | None  # what the unit is to its users
    reading: Reading


def words_of(ticket: dict[str, Any], around: Scene) -> Words:
    """What one ticket's words say."""
    text = printed.told(ticket["text"] or "", around.printed)
    site_id, sure, unit_id = site_and_unit(ticket, text, around)
    unit_said = ticket["unit"] or ""
    kind = units.kind_meant(around.stock, site_id, unit_id, unit_said)
    kind = kind or units.only_kind(said_in_column(unit_said, around.book))
    plain = asides.without_caller(units.without_labels(around.stock, site_id, text))
    reading = read_text(plain, kind or "", around.book)
    return Words(text, site_id, sure, unit_id, kind, reading)


def said_in_column(unit_said: str, book: Vocabulary) -> frozenset[str]:
    """The things that the column for the unit names, in words."""
    return read_text(unit_said, "", book).things if WORD.search(unit_said) else frozenset()


def read_ticket(ticket: dict[str, Any], said: Words, around: Scene, strange: float) -> dict[str, Any]:
    """What one ticket says by itself; what a person has settled stands.

    Parameters
    ----------
    strange : how strange the manner of all tickets is (`weighing.strangeness`)
    """
    text, site_id, sure, unit_id, kind, reading = said
    unit_said, opened = ticket["unit"] or "", ticket["opened_at"]
    settled = around.settled.of(ticket["ticket_id"])
    fact = around.facts.get(site_id, severity.NO_FACTS)
    outcome = read_text(ticket["resolution"], "", around.book, is_outcome=True) if ticket["resolution"] else None
    of = None if units.counts_itself(around.stock, unit_id, site_id) else kind
    row = {
        "opened_at": opened,
        "resolved_at": ticket["resolved_at"],
        "text": text,
        "caller": ticket["caller"],
        "names_none": names_none(reading, text),
        "words": reading.notes,
        "is_news": around.book.news.search(text.lower()) is not None,
        "is_end": follow_ups.tells_end(around.book.ends, text),
        "unit_said": unit_id,
        "again_odds": again.odds(around.book.again, text),
        "is_another": follow_ups.tells_of_another(text),
        "points_back": bool(follow_ups.POINTS_BACK.search(text)),
        "times": times_told.times_told(text, opened, around.zone),
    }
    context = fact.context(opened, around.shown.at(site_id, unit_id, opened))
    category, found, chances, why = weigh(reading, of, context, outcome, strange)
    chance = min(weighing.MOST_SURE, chances[category])
    if settled.get("category"):
        category, chance, why = str(settled["category"]), 1.0, "a person's answer"
        found = [category, *(c for c in found if c != category)]
    things = reading.things | said_in_column(unit_said, around.book)
    kind_sure = units.kind_chance(category, chances)
    named = kind if unit_said else None
    if named is None and kind_sure < units.KIND_SURE:
        named = units.kind_named(category, reading.things)
    is_sure = named is not None or max(chance, kind_sure) >= units.SURE_ENOUGH
    if unit_id is None and "unit_id" not in settled and is_sure:
        unit_id = units.unit_of(around.stock, site_id, unit_said, text, category, named, things)
        unit_id = unit_id or around.shown.scanner_meant(site_id, category, opened)
        unit_id = unit_id or units.unit_at_end(around.stock, site_id, ticket["resolution"], category, named)
        row["unit_said"] = None
    crowd = crowds.read_crowd(text, category, reading.things)
    return row | {
        "chances": chances,
        "ticket_id": ticket["ticket_id"],
        "site_id": site_id,
        "site_confidence": sure,
        "unit_id": unit_id,
        "settled": settled,
        "mates": units.mates(around.stock, site_id, category) if unit_others.means_the_other(text) else {},
        "only_units": {} if "unit_id" in settled else units.only_units(around.stock, site_id),
        "category": category,
        "categories": found,
        "category_confidence": chance,
        "severity": severity.severity(category, found, text, crowd, fact, opened),
        "same_as": None,
        "same_as_confidence": None,
        "waiting_said": crowd.waiting,
        "line_said": crowd.line,
        "is_no_line": crowd.is_none,
        "decided_by": why,
    }
