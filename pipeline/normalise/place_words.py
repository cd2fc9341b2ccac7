"""How the words of a place are made comparable: case, abbreviations, numerals, joined and split words."""

import re
import unicodedata
from functools import lru_cache

from pipeline.normalise.spoken import in_digits
from pipeline.normalise.word_lists import COUNT_WORDS, words_of

# Longest first where one begins another. Kinds of place (left) as people shorten them (right): common practice, no
# source; street words follow the Postal Service's suffix list (Publication 28, appendix C1), from memory.
KIND_PHRASES: tuple[tuple[str, str], ...] = (
    (r"(?:fire\s*(?:station|stn|sta|house|hall|dept|department)|firehouse|firestation|f\.?\s?d\.?"
     r"|f\.?\s?s\.?)(?=\W*(?:no|num|nr|number)?\W*\d|\W|$)", "fire"),
    (rf"(?:sta|stn|station)(?=\W*(?:no|num|nr|number)?\W*(?:\d|(?:{'|'.join(COUNT_WORDS)})\b))", "fire"),
    (r"(?:engine|ladder)\s+(?:co(?:mpany)?)?(?=\W*\d)", "fire"),
    (r"h\.\s?s\b\.?|high\s*sch(?:ool|l)?\b|sr\.? high|senior high", "high school"),
    (r"m\.\s?s\b\.?|mid(?:dle)?\.?\s*sch(?:ool|l)?\b|j(?:r|unior)\.? high(?: sch(?:oo)?l)?|jhs"
     r"|intermediate sch(?:oo)?l", "middle school"),
    (r"e\.\s?s\b\.?|elem(?:entary)?\.?\s*sch(?:ool|l)?\b|(?:grade|primary|grammar)\s*sch(?:ool"
     r"|l)?\b", "elementary school"),
    (r"comm(?:unity|ty|un)?\.?\s*c(?:en)?te?r\b|com\.?\s*c(?:en)?te?r\b|com\s*cnt(?:e)?r\b"
     r"|c\.\s?c\b\.?", "community center"),
    (r"rec(?:reation|reational)?\.?\s*c(?:en)?te?r\b|the rec\b", "recreation center"),
    (r"sr\.?\s*c(?:en)?te?r\b|seniors'? c(?:en)?te?r\b", "senior center"),
    (r"fell(?:owship)?\.?\s*h(?:a)?ll\b|f\.\s?h\b\.?|church\s*hall|parish\s*hall", "fellowship hall"),
    (r"vet(?:eran)?'?s?'?\.?\s*(?:mem(?:orial)?\.?\s*)?h(?:a)?ll\b|v\.\s?h\b\.?", "veterans hall"),
    (r"t\.\s?h\b\.?|(?<!\d )th\b|t(?:o)?wn(?:ship)?\.?\s*h(?:a)?ll\b|twp\.?\s*h(?:a)?ll\b", "township hall"),
    (r"(?:branch|br\.?|public|pub\.?|county|co\.?)\s*lib(?:rary|r|y)?\b\.?|lib(?:rary"
     r"|r)?\.?\s*br(?:anch)?\b\.?", "library"),
    (r"county\s*r(?:oa)?d\b|co(?:\.\s*|\s+)rd\b|c\.?r\.?(?=\s*\d)", "countyroad"),
)  # fmt: skip
KIND_FORM = re.compile("|".join(rf"(?P<k{i}>\b(?:{form}))" for i, (form, _) in enumerate(KIND_PHRASES)), re.I)
ALIKE = {
    word: kind
    for kind, words in {
        "elementary": "elementary elem el es elementry elementery grade primary grammar",
        "middle": "middle mid ms jr junior intermediate jhs",
        "high": "high hs hgh",
        "school": "school sch schl scho academy",
        "library": "library lib libr libary libry libr'y bookmobile",
        "community": "community comm com commty commun cmty comty cc",
        "center": "center ctr centre cntr cent cnter cen",
        "recreation": "recreation rec recr recreational",
        "veterans": "veterans vets vet vet's veteran veteran's veterans' vfw legion",
        "senior": "senior sr seniors seniors' snr",
        "fellowship": "fellowship fell fellowshp felowship fellshp fh church chapel parish temple congregation",
        "township": "township twp town twnshp",
        "fire": "fire firehouse firehall",
        "gymnasium": "gymnasium gym gymnas gymn",
        "hall": "hall hl",
        "st": "st saint street str ste sainte",
        "avenue": "avenue ave av aven",
        "road": "road rd",
        "drive": "drive dr drv",
        "court": "court ct crt",
        "lane": "lane ln",
        "boulevard": "boulevard blvd boul bvd",
        "pike": "pike pk pke",
        "terrace": "terrace ter terr",
        "way": "way wy",
        "place": "place pl plc",
        "circle": "circle cir circ",
        "highway": "highway hwy",
        "parkway": "parkway pkwy pky",
        "square": "square sq",
        "trail": "trail trl",
        "mount": "mount mt",
        "mountain": "mountain mtn",
        "fort": "fort ft",
        "heights": "heights hts hgts",
        "springs": "springs spgs spg sprgs",
        "creek": "creek crk ck",
        "meadow": "meadow mdw mdws meadows",
        "park": "park prk",
        "lake": "lake lk",
        "river": "river riv rvr",
        "ridge": "ridge rdg",
        "valley": "valley vly",
        "grove": "grove grv gr",
        "north": "north n nth no'th",
        "south": "south s so sth",
        "east": "east e",
        "west": "west w",
        "northeast": "northeast ne",
        "northwest": "northwest nw",
        "southeast": "southeast se",
        "southwest": "southwest sw",
        "upper": "upper upr",
        "lower": "lower lwr",
        "building": "building bldg bdg bld",
        "room": "room rm",
        "auditorium": "auditorium aud auditoreum",
        "cafeteria": "cafeteria cafe caf cafetorium",
        "multipurpose": "multipurpose mpr",
        "precinct": "precinct pct pcts prec precincts prct pcnt precint pctno",
    }.items()
    for word in words.split()
}
ORDINALS = words_of(
    "zeroth first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth thirteenth fourteenth"
    " fifteenth sixteenth seventeenth eighteenth nineteenth"
)
NUMERALS = {word: str(n) for word, n in [*COUNT_WORDS.items(), *((w, n) for n, w in enumerate(ORDINALS))]}
DIRECTIONS = frozenset(words_of("north south east west northeast northwest southeast southwest"))
OPPOSED = frozenset(DIRECTIONS | {"upper", "lower", "old", "new", "inner", "outer"})
KINDS = frozenset(
    words_of(
        "elementary middle high school library community center recreation veterans senior fellowship township fire"
        " gymnasium hall"
    )
)
STREETS = frozenset(
    words_of("st avenue road drive court lane boulevard pike terrace way place circle highway parkway square trail")
)
# Words that say nothing about which place. "old", "new" and the directions are never among them: they tell sites apart.
FILLERS = frozenset(
    words_of(
        "the a an at in on of over by near is its it's"
        " this that we are here and for from our im i'm i we're calling out"
        " place polling site location poll polls voting vote station building campus annex no num nr number inside"
        " called with down up to center precinct room they around corner"
    )
)
PREPOSITIONS = frozenset(words_of("at on over by near off"))
TOKEN = re.compile(r"\d+(?:st|nd|rd|th)\b|[a-z']+|\d+")
ORDINAL = re.compile(r"(\d+)(?:st|nd|rd|th)$")


def plain(text: str) -> str:
    """Lower case without accents or curly marks, joined words taken apart at their capitals."""
    text = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])", " ", text)
    text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode() if not text.isascii() else text
    return text.lower().replace("`", "'")


@lru_cache(maxsize=20_000)
def place_tokens(text: str) -> tuple[str, ...]:
    """The words of a place in one common form: "Pell Hill H.S." gives pell, hill, high, school."""
    text = KIND_FORM.sub(lambda m: f" {KIND_PHRASES[int((m.lastgroup or 'k0')[1:])][1]} ", in_digits(plain(text)))
    found = []
    raw = TOKEN.findall(text)
    for i, token in enumerate(raw):
        if token == "no" and i + 1 < len(raw) and not raw[i + 1].isdigit():
            token = "north"
        found.append(canonical(token))
    return tuple(t for t in found if t)


def canonical(token: str) -> str:
    """One word in its common form; an ordinal keeps its ending, so that 5th Street is not Station 5."""
    token = token.strip("'")
    if ORDINAL.match(token):
        return token
    if token.isdigit():
        return token.lstrip("0") or "0"
    token = ALIKE.get(token, token)
    if token.endswith("'s"):
        token = token[:-2]
    return NUMERALS.get(token, token)
