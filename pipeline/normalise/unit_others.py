"""Units that a text names beside the one it means: to say that they are fine, or do its work, or stand next to it.

"T06 ok", "not T-12 for once", "everyone goes to T-11 meanwhile", "the one beside 03".
Of two of a kind the other is meant. Common practice, no source.
"""

import re

from pipeline.normalise.unit_numbers import DEVICE_NOUN
from pipeline.normalise.word_lists import words_of

TAG = (
    rf"(?:the\s+|our\s+)?(?:(?:{DEVICE_NOUN}\s+)?#?[a-z]{{0,4}}[- ]?\d[\w-]*"
    rf"|{DEVICE_NOUN}\s+[\"']?[b-hj-z][\"']?(?!['\w])|{DEVICE_NOUN}\s+a(?=\s))"
)
FINE = (
    r"(?:fine|ok|okay|good|well|nicely|normal|normally|alright|unaffected|works|behaves|behaving|in\s+use"
    r"|(?:carr(?:ies|ying)|handl(?:es|ing)|tak(?:es|ing))\s+(?:it\s+all|the\s+(?:load|traffic|rest)|every(?:one|body)|all\s+(?:the\s+)?(?:voters|traffic))"
    r"|do(?:ing|es)\s+(?:all\s+)?the\s+work|up\s+and\s+running"
    r"|(?:going|running)(?=\s*(?:$|[.,;!?)]|strong\b|fine\b|along\b|well\b)))"
)
NOT_FINE = r"(?!not\b|isn|wasn|won|but\b|can|does|stop|quit|never|hardly|barely|keeps?\b|no\b|until\b|till\b|if\b)"
# "T06 ok", "03 was swapped out & runs fine", "T11 printed its zeros very nicely", "E-22 carries the load"; what is fine
# "now" or "again" is what the call is about, and "works only if" is not fine.
GOOD = re.compile(
    rf"(?<![\w-]){TAG}(?:'s)?(?:\s+{NOT_FINE}[\w'/&]+){{0,5}}?\s+{FINE}\b"
    r"(?!\s+(?:until|till|one|now|again|only|if|when|as|half|some|sometimes|slow\w*|intermittent\w*)\b)",
    re.I,
)
NOT_IT = re.compile(
    rf"(?:\b(?:it|that|this)\s+isn'?t|\bnot|\bone\s+without)\s+(?:(?:the\s+)?one\s+)?"
    rf"{TAG}(?:\s+one\b)?(?!\w)",
    re.I,
)
BESIDE = re.compile(
    rf"\b(?:next\s+to|beside|alongside|left\s+of|right\s+of|across\s+from)\s+{TAG}|{TAG}'s\s+neighbou?r", re.I
)
MEANWHILE = r"(?:meanwhile|in\s+the\s+mean\w*|for\s+now|instead|only)"
TO_IT = re.compile(
    r"\b(?:sen[dt]|sending|mov(?:e|ed|ing)|going|goes?|switched|divert\w*|direct\w*)\s+"
    rf"(?:(?:everyone|everybody|people|voters?|them|all|it|us|folks|just|over)\s+){{1,4}}(?:on)?to\s+{TAG}(?!\w)"
    rf"|\b(?:use|using)\s+(?:only\s+|just\s+)?{TAG}\s+{MEANWHILE}|\b{MEANWHILE}\s+(?:we\s+)?(?:use|using)\s+{TAG}(?!\w)",
    re.I,
)
SIGNS = re.compile(
    rf"\b(?:{FINE}|not|without|isn'?t|next\s+to|beside|alongside|left\s+of|right\s+of|across\s+from|meanwhile|in\s+the\s+mean\w*"
    r"|for\s+now|instead|only|sen[dt]|sending|mov(?:e|ed|ing)|goes?|going|switched|divert\w*|direct\w*)\b|neighbou?r",
    re.I,
)
SENT = re.compile(  # "sent T-11, T-12 says busy"; alone it is what the call is about: "4140 sent"
    rf"\b(?:sent|uploaded|transmitted)\s+{TAG}(?!\w)"
    rf"|(?<![\w-]){TAG}\s+(?:is|was|has|already|both)?\s*(?:sent|uploaded|transmitted|went\s+through)\b(?!\s+(?:but|to|back|an?)\b)",
    re.I,
)
SIGN_SENT = re.compile(r"\b(?:sent|uploaded|transmitted|through)\b", re.I)
FORMS = (GOOD, NOT_IT, BESIDE, TO_IT)
# A clause that begins so, and tells nothing good, is about another unit than the one named before: "4140 is fine. The
# second one hums".
THE_SECOND = re.compile(
    rf"(?:^|[.;:!?,]|\b(?:while|but|and))\s*the\s+second(?:\s+(?:one|{DEVICE_NOUN})\b|\s*,)"
    r"(?![^.;!?]*\b(?:fine|ok|okay|good|well|normal\w*|works|working|started|runs|running)\b)",
    re.I,
)
THE_OTHER = re.compile(
    "".join(f"(?<!{word} )" for word in words_of("to on with use using for by from than like"))
    + rf"\bthe\s+other\s+(?:one|{DEVICE_NOUN})\b",
    re.I,
)
IS_FINE = re.compile(rf"\b{FINE}\b|\b(?:still\s+)?(?:works?|working|runs|running|takes?|taking|printed|ok)\b", re.I)


def without_beside(text: str) -> str:
    """A text without the units that it names beside the one it means."""
    if not SIGNS.search(text):
        return text
    for form in FORMS:
        text = form.sub(" ; ", text)
    return text


def without_sent(text: str) -> str:
    """A text without the units of which it tells that their results are sent."""
    return SENT.sub(" ; ", text) if SIGN_SENT.search(text) else text


def means_the_other(text: str) -> bool:
    """Whether a text is about another unit than the one named before: "now the other one too"."""
    return any(THE_OTHER.search(part) and not IS_FINE.search(part) for part in re.split(r"[.;!?,\n]|\bbut\b", text))
