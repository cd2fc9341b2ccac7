"""How many people wait, and in which line, as callers put it: "40 in line", "27 ppl", "twenty five ahead"."""

import re
from dataclasses import dataclass

from pipeline.normalise.spoken import ONES, in_digits
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
CALL_SIGN = rf"(?:\s+(?:{'|'.join(COUNT_WORDS)}|\d{{1,2}})(?=\s*[.,:;]))?"  # "[name] fifteen. The line …"
MASKED = re.compile(rf"\[(?:phone|email)\]|\[name\]{CALL_SIGN}")
READ_OUT = re.compile(rf"\b(?:{'|'.join(ONES)})(?:[\s-]+(?:{'|'.join(ONES)})){{2}}\b")  # "one-two-zero persons"
DIGIT, COUNTED = re.compile(r"\d"), re.compile("|".join(COUNT_WORDS))
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
    re.compile(r"\b\d{1,2}\s*(?:hrs?|hours?)\s*(?:and\s*)?\d{1,2}\b"),  # "1 hr 15"
    re.compile(r"\b(?:since|until|till|til|before|after|by)\s+\d{1,2}\b(?!\s*(?:people|ppl|voters?|or|to|-|%))"),
)
COUNT = r"(?P<n>\d{1,4})(?:\s?(?:-|to|or)\s?(?P<to>\d{1,4}))?(?![\d:/-]|\.\d)"
ABOUT = (
    r"(?:about|abt|around|approx\.?|approximately|roughly|maybe|at least|over|nearly|almost|some|like|~|\+|at"
    r"|now|of|is|to|least|or so)?\s*~?\s*"
)
WAIT = (  # what makes a number of people a line
    r"(?:in\s+(?:(?:the|a|our|that|this|check-?in|scanner)\s+)*(?:line|lin|queue|que)|waiting|waitin|wating|waiing|waitng"
    r"|standing|stading|deep|ahead|ahed|queued|queueing|queuing|lined\s+up|lined|backed\s+up|backed|out\s+the\s+door)"
)
PEOPLE = r"(?:people|ppl|pepole|persons|folks|voters?|vtrs?|heads|bodies|outside)"
MORE = r"\s*(?:\+|ish|or so|or more|plus|some)?\s*"
LESS = r"(?!and\b|but\b|so\b|because\b|while\b|with\b)"  # words between a number and what governs it join no clauses
ON = r"(?:all|and|at|but|by|for|from|in|inside|long|more|now|on|since|so|still|strong|to|when|who|with)"
# The number counts the people of a line named before it, and no thing named after it.
NO_NOUN = rf"(?=$|\s*[^a-z\s]|\s*(?:{PEOPLE}|{WAIT}|{ON})\b)"
LINE_OF = (
    rf"\b(?:line|lin|lien|lnie|queue|que|crowd)\b(?:\s+{LESS}[a-z']+){{0,5}}?\s*[,:~-]*\s*"
    rf"{ABOUT}(?<![\d:.#$-]){COUNT}{OTHER_AFTER}{MORE}"
)
GOVERNED = tuple(
    re.compile(form)
    for form in (
        rf"(?<![\d:.#$-]){COUNT}{OTHER_AFTER}{MORE}(?:{LESS}[a-z']+\s+){{0,3}}?{WAIT}\b",
        LINE_OF + NO_NOUN,
        rf"\b(?:waiting|standing|lined up|line up|backed up|growing|ahead|out the door)\b[\s,:~-]*"
        rf"{ABOUT}(?<![\d:.#$-]){COUNT}{OTHER_AFTER}",
        rf"(?<![\d:.#$-]){COUNT}{OTHER_AFTER}\s*(?:\+|ish)?\s*(?:and|&|\+)\s*(?:growing|counting|rising|more)",
    )
)
# Where the whole ticket is of a line, it governs what stands by itself: a number of people that no other verb takes as
# its object ("gave 2 voters"), or a number alone.
HEAD = (
    r"(?:^|[.,;:!?(&~-]|\b(?:and|but|have|has|had|got|are|is|was|with|of|at|now|see|about|around|over|nearly|almost|maybe"
    r"|roughly|only|just|still|like|than|scanner|station|line|outside)\b)\s*"
)
BY_ITSELF = (
    re.compile(LINE_OF),
    re.compile(rf"{HEAD}(?<![\d:.#$-]){COUNT}{OTHER_AFTER}{MORE}(?:more\s+)?(?:[a-z]+\s+)??{PEOPLE}\b"),
    re.compile(rf"\b(?:people|ppl|voters)\b[\s,:~-]*{ABOUT}(?<![\d:.#$-]){COUNT}{OTHER_AFTER}"),
    re.compile(rf"\b(?:about|abt|around|approx\.?|roughly|at least)\s*~?\s*(?<![\d:.#$-]){COUNT}{OTHER_AFTER}\s*$"),
)
LAST_RESORT = re.compile(
    rf"(?:^|[\s,~(]){ABOUT}(?<![\d:.#$-]){COUNT}{OTHER_AFTER}(?:\s*(?:\+|ish|or so))?\s*(?=$|[.,;!?)-])"
)
NONE = r"(?:nobody|no\s?one|noone|nobdy|no\s+(?:voters?|people|ppl|folks))"
# A line that is none by measure only ("to speak of", "worth a call") or of which something is denied was not looked at.
NO_LINE = re.compile(
    r"\bno\s+(?:lines?\b,?|queue\b,?|wait\b|waiting\b,?)(?=\s*(?:$|[.;!?)-]|(?:right\s+now|now|yet|at|here|today|and|but|for|in"
    r"|inside|outside|so\s+far|currently)\b)|(?<=,))"
    rf"|\b{NONE}\s+(?:is\s+|are\s+)?(?:in\s+(?:the\s+)?(?:line|queue)|w[aitn]{{3,6}}g?)\b"
    r"|\bline\s+(?:is\s+)?(?:gone|cleared|empty)|\bempty\s+line|\bwithout\s+(?:a\s+)?(?:line|wait)\b"
)
EMPTY = re.compile(rf"\b{NONE}\s+(?:is\s+|are\s+)?here\b(?=\s*(?:$|[.,;!?]|right\s+now|now|and\b|but\b))")
ABSENT = ("site-access", "staffing")  # where "nobody here" is a worker or a key that is missed, not a voter
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
    is_none = bool(NO_LINE.search(words) or (category not in ABSENT and EMPTY.search(words)))
    waiting = people_said(words, category == "long-line")
    if waiting is not None and is_none:
        waiting = None
    return Crowd(waiting, line_said(words, category, things), is_none)


def spelled_out(text: str) -> str:
    """A text with its number words as digits and without marked-out parts and numbers that count nobody."""
    text = MASKED.sub(";", text)
    if "-" in text or "zero" in text:
        text = READ_OUT.sub(lambda m: in_digits(m.group()), text)
    if DIGIT.search(text):  # each of the forms holds one
        for form in NOT_PEOPLE:
            text = form.sub("; ", text)
    if "dozen" in text or "hundred" in text:
        for form, digits in LOOSE:
            text = form.sub(digits, text)
    if COUNTED.search(text):
        text = SPOKEN.sub(lambda m: str(TENS.get(m.group(1) or "", 0) + COUNT_WORDS[m.group(2)]), text)
    return text


def people_said(text: str, is_of_line: bool) -> float | None:
    """The largest number of people that a text puts in line; a range counts as its middle.

    Parameters
    ----------
    is_of_line : whether a line is what the text is about: then people, or a number alone, need no word of waiting
    """
    for forms in (GOVERNED, *((BY_ITSELF, (LAST_RESORT,)) if is_of_line else ())):
        found = [value for form in forms for m in form.finditer(text) if (value := middle(m)) is not None]
        if found:
            return max(found)
    return None


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
