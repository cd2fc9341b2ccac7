"""Words in one form: contractions, what dictation and Spanish make of the trade's words, endings."""

import re
import unicodedata
from functools import lru_cache
from operator import eq

from pipeline.normalise.word_lists import words_of

SPANISH_VERBS = (
    "funciona|sirve|prende|enciende|arranca|abre|imprime|lee|conecta|responde|sale|acepta|cuenta|manda|envia"
    "|carga|cabe|toma"
)
BEGUN_TWICE = r"\1"  # a word begun twice becomes one
LETTERS = re.compile(r"[a-z]+")
NOTS = ("nt", "n't", "not")
# A form, what it becomes, and letters of which a text holds some wherever it fits: looked for first, which is faster.
CONTRACTIONS: tuple[tuple[str, ...], ...] = (
    # Voters' second language by section 203 of the Voting Rights Act in many counties: "no funciona" is "wont work".
    (rf"\bno\s+(?:se\s+)?(?:l[aeo]s?\s+)?(?:puede[n]?\s+)?(?=(?:{SPANISH_VERBS})[nr]?\b)", "wont ", "no"),
    (r"\bse\s+fue\s+la\s+luz\b|\bno\s+hay\s+(?:luz|corriente)\b", "power out", "luz", "corriente"),
    (r"\bno\s+hay\b", "no", "hay"),
    (r"\bpantallas?\s+tactil(?:es)?\b", "touch screen", "tactil"),
    (r"\b(?:lectora?|escaner)\s+de\s+(?:boletas|votos|papeletas)\b", "ballot scanner", "de"),
    (r"\bsin\s+(?:luz|corriente|electricidad)\b", "power out", "sin"),
    (r"\b(they|you)'?re\b|\b(we)'re\b", r"\1\2", "re"),
    (r"\bpassing\s+(?:out|around)\b", "handing out", "passing"),
    # What a dictating telephone makes of the trade's words.
    (r"\bpole\s+(?=(?:books?|pads?|workers?|watch|judges?|managers?)\b)", "poll ", "pole"),
    (r"\bscan(?:ning)?\s+her\b", "scanner", "scan"),
    (
        r"\b(?:want|one't|won)\s+(?=(?:turn|start|print|boot|scan|power|take|come|read|send|go)\b)",
        "wont ",
        "wan",
        "won",
        "one't",
    ),
    (r"\b(?:eye|i)\s+dee?\b", "id", "de"),
    (r"\bpast\s+port\b", "passport", "past"),
    (r"\bnet\s+work\b", "network", "net"),
    (r"\bhead\s+(?:sets?|phones?)\b", "headset", "head"),
    (r"\bkey\s+pads?\b", "keypad", "key"),
    (r"\b(?:dew|due)\s+(?=(?:we|i|they|you)\b)", "do ", "dew", "due"),
    (r"[\u2018\u2019\u02bc`]", "'", "\u2018", "\u2019", "\u02bc", "`"),
    (r"[\u2010-\u2015]", " - "),
    (r"\[(?:phone|email|name)\]", " ", "["),
    # What a voice message holds between its words: pauses, and words begun twice.
    (r"\b(?:u+m+|u+h+|erm?|hm+|mm+)\b[,.]*", " ", "um", "uh", "er", "hm", "mm"),
    (r"\b([a-z]+)(?:\s+\1\b)+", BEGUN_TWICE),
    (r"\b(?:wo(?:n't|nt)|will not|would(?: not|n'?t)|willnt|wil not)\b", "wont", *NOTS),
    (r"\b(?:can'?t|cannot|can not|could(?: not|n'?t)|unable to|not able to)\b", "cant", *NOTS, "unable"),
    (r"\b(?:do(?:es)?(?: not|n'?t)|did(?: not|n'?t)|dont)\b", "doesnt", *NOTS),
    (r"\b(?:is(?: not|n'?t)|are(?: not|n'?t)|was(?: not|n'?t)|were(?: not|n'?t)|ain'?t|isnt)\b", "isnt", *NOTS),
    (r"\b(?:ha(?:s|ve|d)(?: not|n'?t))\b", "hasnt", *NOTS),
    (
        r"\b(?:pws?|poll ?workers?|judges?|chief|clerk|caller|rover|poll mgr|mgr|manager|inspector|voter|they|she|he"
        r"|lead)"
        r" (?:reports?|reported|reporting|says?|said|states?|stated|advises|advised)\b(?: that\b)?",
        " ; ",
        "report",
        "say",
        "said",
        "state",
        "advise",
    ),
    (
        r"\b(?:told|advised|instructed)\s+(?:\w+\s+)?(?:to|not to|sit|that)\b[^.;,]*",
        " ; ",
        "told",
        "advised",
        "instructed",
    ),
    (r"\bw/o\b", " without ", "w/"),
    (r"\bw/", " with ", "w/"),
    (r"\bc/b\b", " cb ", "c/b"),
    (r"\b(min|mins|hr|hrs|approx|abt|est|ext|no|pct|bldg|rm|dr|st|vs)\.", r"\1 ", "."),
    (r"\bs/n\b|\bsn#", " serial ", "s/n", "sn#"),
    (r"\b(?:check|ck|chk|chek)[\s-]?ins?\b", "checkin", "ck", "chk", "chek"),
    (r"\b([a-z]+)-([a-z]+)\b", r"\1 \2", "-"),
    (r"'s\b", "", "'"),
    (r"'", "", "'"),
    (r"&", " and ", "&"),
    (r"#", " number ", "#"),
    (r"(\d)([a-z])", r"\1 \2"),
)
CONTRACTION_FORMS = tuple((re.compile(form), to, held) for form, to, *held in CONTRACTIONS)
NO_ENDING = frozenset(
    words_of("news this does always series access address process progress business thing things bring")
)


@lru_cache(maxsize=100_000)
def stem(word: str) -> str:
    """A word without its ending, so that jam, jams, jammed and jamming agree. Crude, but the same on both sides."""
    if len(word) <= 3 or word in NO_ENDING:
        return word
    for ending in ("ing", "ed", "es", "s", "e"):
        base = word[: -len(ending)]
        if word.endswith(ending) and len(base) >= 3 and any(c in "aeiouy" for c in base):
            if ending == "s" and word.endswith("ss"):
                return word
            if ending in ("ing", "ed") and len(base) > 3 and base[-1] == base[-2] and base[-1] not in "ls":
                base = base[:-1]
            return base[:-1] if base.endswith("e") and len(base) > 3 else base
    return word


def tidy(text: str) -> str:
    """Lower case, contractions in one form, marks taken out."""
    text = text.lower()
    if not text.isascii():
        text = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    for form, to, held in CONTRACTION_FORMS:
        for letters in held:
            if letters in text:
                text = form.sub(to, text)
                break
        else:
            if not held and (to != BEGUN_TWICE or has_twins(text)):
                text = form.sub(to, text)
    return text


def has_twins(text: str) -> bool:
    """Whether a word may be said twice in a row: its form is slow to look for."""
    words = LETTERS.findall(text)
    return any(map(eq, words, words[1:]))
