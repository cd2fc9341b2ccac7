"""How many people wait, and in which line, as callers put it: "40 in line", "27 ppl", "twenty five ahead"."""

import re
from dataclasses import dataclass

from pipeline.normalise.word_lists import COUNT_WORDS

MOST = 2000  # more people than any line of a polling place; a larger number counts something else [count]
TENS = {w: n for w, n in COUNT_WORDS.items() if n >= 20}
FROM_FIVE = [w for w, n in COUNT_WORDS.items() if n >= 5]  # "one of them", "two in a booth" are no count of a line
SPOKEN = re.compile(rf"\b(?:({'|'.join(TENS)})[\s-]+)?({'|'.join(FROM_FIVE)})\b")
LOOSE = (
    (re.compile(r"\b(?:a\s+)?couple\s+(?:of\s+)?dozen\b|\btwo dozen\b"), "24"),
    (re.compile(r"\bhalf a dozen\b"), "6"),
    (re.compile(r"\b(?:a|about a|over a)\s+dozen\b"), "12"),
    (re.compile(r"\b(?:a\s+)?couple\s+(?:of\s+)?hundred\b"), "200"),
    (re.compile(r"\b(?:a|one)\s+hundred\b"), "100"),
)
# What a number counts when it does not count people.
OTHER_AFTER = (
    r"(?!\s*(?:min\b|mins\b|minutes?|hrs?\b|hours?|m\b|%|percent|pct\b|am\b|pm\b|a\.m|p\.m|ft\b|feet|deg|times|st\b"
    r"|nd\b|rd\b|th\b"
    r"|ballots?|blts?|sheets?|seals?|booths?|tables?|tablets?|scanners?|stations?|workers?|page|of us|packs?|left\b"
    r"|yr|year|the one|\d))"
)
NOT_PEOPLE = (  # numbers that name something or tell a time, taken out before anything is counted
    re.compile(r"\(\s?\d{3}\s?\)[\s.-]*\d{3}[\s.-]*\d{0,4}|\b\d{3}[\s.-]*\d{3}[\s.-]*\d{4}\b|\b\d{3}[\s.-]\d{4}\b"),
    re.compile(
        r"\b(?:ph|phone|tel|telephone|cell|mobile|dial|text|fax|ext|extension|cb|callback"
        r"|call(?:s|ed|ing)?(?:\s?back)?(?:\s+(?:me|us|her|him|them))?)"
        r"(?:\s+(?:at|on|is|no|nr|number))?[\s:.#-]*\(?\d[\d\s().-]*"
    ),
    re.compile(r"#\s*\(?\d[\d().-]*|\b911\b"),
    re.compile(
        r"\b(?:precincts?|pcts?|prec|ward|district|room|rm|unit|serial|s/?n|seals?|tag|asset|circuit|feeder|route|hwy|highway"
        r"|error|err|code|version|step|ticket|case|number|nr|style|form|page|ps|p\.s\.)\b"
        r"(?:\s+(?:number|nr|no|is))?[\s:.-]*\d[\d-]*"
    ),
    re.compile(r"\b[a-z]{1,6}-?\d{2,}[a-z]?(?:-\d+)*\b"),  # vs-2128, pct030
    re.compile(
        r"\b\d{1,5}[a-z]?\s+(?:(?:n|s|e|w|ne|nw|se|sw|north|south|east|west)\.?\s+)?(?:[a-z']+\s+){1,2}(?:street|st|avenue|ave"
        r"|road|rd|drive|dr|lane|ln|court|ct|boulevard|blvd|pike|highway|hwy|parkway|pkwy|way|terrace|place|pl)\b"
    ),
    re.compile(r"\b\d{1,2}[:.]\d{2}(?::\d{2})?\s*(?:[ap]\.?m?\b\.?)?|\b\d{1,2}\s?(?:[ap]\.?m\b\.?|o'?\s?clock)"),
    # people to whom something was done, or who are asked for: they are no line
    re.compile(
        r"\b(?:gave|given|handed|issued|told|asked|helped|served|sent|let|processed|turned\s+away|checked(?:\s+in)?|needs?"
        r"|needed|takes?|requires?)\s+(?:(?:about|like|at least|over|only|another)\s+)?\d{1,3}\s+"
        r"(?:more\s+)?(?:people|ppl|persons?|folks|voters?)\b(?!\s+(?:are\s+)?(?:wait|stand|in\s+line))"
    ),
    re.compile(
        r"\b(?:[2-9]|\d\d)[\s-](?:person|man|voter)\s+(?=[a-z])(?!wait|in\b|stand|line|queue|deep|ahead|outside)"
    ),
    re.compile(r"\b(?:since|until|till|til|before|after|by)\s+\d{1,2}\b(?!\s*(?:people|ppl|voters?|or|to|-|%))"),
)
COUNT = r"(?P<n>\d{1,4})(?:\s?(?:-|to|or)\s?(?P<to>\d{1,4}))?(?![\d:/-]|\.\d)"
ABOUT = (
    r"(?:about|abt|around|approx\.?|approximately|roughly|maybe|at least|over|nearly|almost|some|like|~|\+|at"
    r"|now|of|is|to|least|or so)?\s*~?\s*"
)
PEOPLE = (
    r"(?:in\s+(?:the\s+|a\s+|our\s+)?(?:line|lin|queue|que)|waiting|waitin|wating|waiing|standing|stading|people"
    r"|ppl|pepole|persons|folks|voters?|vtrs?"
    r"|deep|ahead|ahed|outside|queued|queuing|heads|bodies|lined|backed)"
)
FORMS = tuple(
    re.compile(form)
    for form in (
        rf"(?<![\d:.#$-]){COUNT}{OTHER_AFTER}\s*(?:\+|ish|or so|or more|plus"
        rf"|some)?\s*(?:more\s+)?(?:[a-z]+\s+){{0,2}}?{PEOPLE}\b",
        rf"\b(?:line|lin|lien|lnie|queue|que|crowd)\b[^.;!?\d]{{0,28}}?{ABOUT}(?<![\d:.#$-]){COUNT}{OTHER_AFTER}",
        rf"\b(?:waiting|standing|lined up|line up|backed up|in line|people|ppl|voters|growing"
        rf"|ahead)\b[\s,:~-]*{ABOUT}(?<![\d:.#$-]){COUNT}{OTHER_AFTER}",
        rf"(?<![\d:.#$-]){COUNT}{OTHER_AFTER}\s*(?:\+|ish)?\s*(?:and|&|\+)\s*(?:growing|counting|rising|more)",
        rf"\b(?:about|abt|around|approx\.?|roughly|at least)\s*~?\s*(?<![\d:.#$-]){COUNT}{OTHER_AFTER}\s*$",
    )
)
LAST_RESORT = re.compile(
    rf"(?:^|[\s,~(]){ABOUT}(?<![\d:.#$-]){COUNT}{OTHER_AFTER}(?:\s*(?:\+|ish|or so))?\s*(?=$|[.,;!?)-])"
)
NO_LINE = re.compile(
    r"\bno\s+(?:line|lines|queue|wait|waiting|one\s+(?:is\s+)?(?:in\s+line|waiting))\b"
    r"(?!\s+(?:to\s+speak|worth|issues?|problems?|manage))"  # hardly a line is none that was counted
    r"|\b(?:nobody|no\s?one|noone|nobdy)\s+(?:is\s+)?(?:wait|in\s+line)"
    r"|\b(?:nobody|no\s?one|noone|nobdy)\s+(?:is\s+)?here\b(?=\s*(?:$|[.,;!?]|right\s+now|now|at\s+the|and\b|but\b))"
    r"|\bnobody\s+w[a-z]{3,7}g\b|\bline\s+(?:is\s+)?(?:gone|cleared|empty)|\bempty\s+(?:line|room)"
    r"|\bwithout\s+(?:a\s+)?(?:line|wait)"
)
SCANNER_LINE = re.compile(
    r"\b(?:scan(?:ner|ning|nr)?|scnr|tabulator|to\s+scan|ballot\s+box|counting\s+machine)\b[^.;]{0,18}\b(?:line"
    r"|queue|wait)"
    r"|\b(?:line|lined|queue|wait|waiting|standing|backed)\b[^.;]{0,18}\b(?:for|at|to|by|behind"
    r"|in front of)\s+(?:the\s+|use\s+|our\s+|one\s+)*(?:scan|scnr|tabulat|machine|counting|ballot box)"
)
CHECKIN_LINE = re.compile(
    r"\b(?:line|lined|queue|wait|waiting|standing|backed)\b[^.;]{0,18}\b(?:for|at|to)\s+(?:the\s+|be\s+"
    r"|get\s+)*(?:check|ck|chk|sign|table|poll\s?book|book|registration|front)"
    r"|\b(?:check|ck|chk|sign)[\s-]*(?:ed\s+)?in\b[^.;]{0,12}\b(?:line|queue|wait)|\bonly\s+\w+\s+(?:check|ck"
    r"|chk)[\s-]?in"
)


@dataclass(frozen=True)
class Crowd:
    """People waiting, as said."""

    waiting: float | None
    line: str | None
    is_none: bool


def read_crowd(text: str, category: str, things: frozenset[str]) -> Crowd:
    """People in line as a caller put it.

    Parameters
    ----------
    category : the ticket's primary category: where it is `long-line`, a lone number counts people
    things : what the caller named, to tell which line
    """
    words = spelled_out(text.lower())
    is_none = bool(NO_LINE.search(words))
    waiting = people_said(words, category == "long-line")
    if waiting is not None and is_none:
        waiting = None
    return Crowd(waiting, line_said(words, category, things), is_none)


def spelled_out(text: str) -> str:
    """A text with its number words as digits and without marked-out parts and numbers that count nobody."""
    text = re.sub(r"\[(?:phone|name|email)\]", ";", text)
    for form in NOT_PEOPLE:
        text = form.sub("; ", text)
    for form, digits in LOOSE:
        text = form.sub(digits, text)
    if any(w in text for w in COUNT_WORDS):
        text = SPOKEN.sub(lambda m: str(TENS.get(m.group(1) or "", 0) + COUNT_WORDS[m.group(2)]), text)
    return text


def people_said(text: str, lone: bool) -> float | None:
    """The largest number of people that a text puts in line; a range counts as its middle."""
    found = [value for form in FORMS for m in form.finditer(text) if (value := middle(m)) is not None]
    if not found and lone:
        found = [value for m in LAST_RESORT.finditer(text) if (value := middle(m)) is not None]
    return max(found, default=None)


def middle(found: re.Match[str]) -> float | None:
    """The number of a match, or the middle of its range; None where no line is that long."""
    low = float(found.group("n"))
    high = float(found.group("to") or low)
    value = (low + high) / 2 if high > low else low
    return value if 1 <= value <= MOST else None


def line_said(text: str, category: str, things: frozenset[str]) -> str | None:
    """Which line the caller means, if that is said."""
    if CHECKIN_LINE.search(text):
        return "checkin"
    if SCANNER_LINE.search(text):
        return "scanner"
    if category == "long-line":
        if "scanner" in things and "pollbook" not in things:
            return "scanner"
        if "pollbook" in things and "scanner" not in things:
            return "checkin"
    return None
