"""Whether a caller asks how something is done or allowed, rather than for help: the mark of a procedure ticket."""

import re
from functools import lru_cache

SUBJECT = (
    r"(?:(?:a|an|the|our|my|your|this|that|these|those|any|some|his|her|their|one|two|every|each|either)\s+)?(?:\w+\s+)?"
    r"(?:voters?|vtrs?|electors?|we|i|they|he|she|you|u|it|one|someone|somebody|anyone|anybody|people|ppl|person|kids?|child(?:ren)?"
    r"|man|woman|lady|guy|gentleman|student|spouse|husband|wife|son|daughter|mom|mother|dad|father|parent|helper|aide"
    r"|workers?|judges?|clerks?|observers?|watchers?|challengers?|candidates?|reporters?|media|press|police|officers?"
    r"|ballots?|sheets?|envelopes?|forms?|names?|signatures?|id|ids|licen[sc]es?|passports?|phones?|cameras?|there|this"
    r"|that|those|these)"
)
ASKED = re.compile(
    r"(?:^|[.;!?:,\n-]\s*"
    r"|\b(?:and|but|so|ok|okay|hi|hello|hey|question|q|asks?|asking|wondering|know|tell me|advise)\s+)"
    r"(?:(?:so|and|also|ok|okay|um|uh|then|just|if so|quick q(?:uestion)?)[\s,:-]+)*"
    r"(?:how\s+(?:do|does|did|should|would|can|could|must|shall|to|are|is|many|often|far|old|late)\b"
    r"|wh(?:at|ich|ose)\s+(?:do|does|should|would|if|happens|counts?|about|kinds?|sorts?|forms?|ids?|envelopes?|books?|bags?|box"
    r"|lists?|lines?|colou?rs?|ballots?|one|ones|time|is\s+the|are\s+the|s\s+the|'s\s+the|goes|can|must|may)\b"
    r"|who(?:m)?\s+(?:do|does|should|can|may|must|signs?|gets?|has|is\s+(?:allowed|supposed)|decides?|keeps?|takes?|opens?)\b"
    r"|whe(?:re|n)\s+(?:do|does|should|can|may|must|am|would)\b"
    rf"|(?:can|could|may|might|must|should|shall|do|does|did|is|are|am|would|has|have|r)\s+{SUBJECT}\b"
    r"|(?:is|are)\s+(?:it|that|this)\s+(?:ok|okay|alright|legal|allowed|fine|enough|required)\b"
    r"|(?:ok|okay|alright|allowed|legal|permitted|required|supposed|need|have)\s+to\b[^.;!\n]*\?"
    r"|whether\b|what\s+if\b)"
    r"|^\W*q(?:uestion)?\s*[:.-]"
    r"|\bhow\s+\w+\s+(?:\w+\s+){0,3}or\s+(?:\w+\s*){1,2}\?",
)
FOR_HELP = re.compile(
    r"\b(?:can|could|would|will|may|pls|please)\s+(?:you|u|someone|somebody|anyone|anybody|y'?all|they|a\s+\w+|the\s+\w+)\s+(?:please\s+|pls"
    r"\s+|just\s+|possibly\s+)?(?:get|have|send|come|bring|help|swap|replace|fix|look|check|stop|drop|deliver|call|reset|tell|talk"
    r"|phone|ring|restart|unlock)\b"
    r"|\b(?:can|could|may)\s+(?:we|i)\s+(?:please\s+|pls\s+)?(?:get|have|borrow|request)\b"
    r"|\bhow\s+(?:long|soon|much\s+longer)\b|\bwhat(?:'?s|\s+is)\s+the\s+(?:eta|wait|status|matter|problem|score)\b"
    r"|\b(?:do|did|have|are|r)\s+(?:you|u)\b|\bis\s+(?:anyone|someone|anybody|somebody|there\s+(?:a|any)\s+(?:tech|rover))\b"
    r"|\bwhat\s+(?:do|should|shall|can|must)\s+(?:we|i)\s+do\b|\bwhat\s+to\s+do\b|\bcan\s+(?:this|it)\s+wait\b"
)

BEGINS = re.compile(
    r"\W*(?:(?:hi|hey|hello|quick q(?:uestion)?|question|q|ok|okay|so|um)\W+)*"
    r"(?:who|what|which|when|where|how|do|does|is|are|can|could|may|should|must|if|would|might)\b",
    re.I,
)


def asks(text: str) -> tuple[bool, bool]:
    """Whether a text asks anything, and whether it begins by asking."""
    return "?" in text, BEGINS.match(text) is not None


@lru_cache(maxsize=50_000)
def before_question(text: str) -> str | None:
    """What a text says before it asks how something is done or allowed; None where it does not ask that.

    A plea for help or for news ("can you send someone", "how long") is no such question.
    """
    found = ASKED.search(FOR_HELP.sub(lambda m: "|" * len(m.group(0)), text.lower()))
    return text[: found.start()] if found else None
