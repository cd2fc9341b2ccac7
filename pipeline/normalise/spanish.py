"""Units as callers name them in Spanish, in the words that units are read by: "el lector número dos" is reader 2.

Voters' second language by section 203 of the Voting Rights Act in many counties. The words themselves: common
practice, no source. Words of a trouble are in `vocabulary.toml`.
"""

import re

from pipeline.normalise.word_lists import words_of

NUMBERS = {
    word: str(n) for n, word in enumerate(words_of("uno dos tres cuatro cinco seis siete ocho nueve diez"), start=1)
}
PLACES = {"primer": "first", "segund": "second", "tercer": "third", "cuart": "fourth", "quint": "fifth"}
DEVICES = (
    ("scanner", r"esc[a\u00e1]ner(?:es)?"),
    ("reader", r"lectora?s?(?:\s+de\s+(?:boletas|votos|papeletas))?"),
    ("machine", r"m[a\u00e1]quinas?"),
    ("tablet", r"tabletas?"),
    ("printer", r"impresoras?"),
    ("screen", r"pantallas?"),
)
DEVICE = "|".join(form for _, form in DEVICES)
NUMBER = rf"(?P<number>{'|'.join(NUMBERS)}|\d{{1,4}})\b"
NAMED = re.compile(rf"\b(?:(?P<device>{DEVICE})\s+)?(?P<sign>n[u\u00fa]m(?:ero)?\.?|nro\.?)\s*{NUMBER}", re.I)
COUNTED = re.compile(rf"\b(?P<device>{DEVICE})\s+{NUMBER}", re.I)
PLACED = re.compile(rf"\b(?P<place>{'|'.join(PLACES)})[oa]?\s+(?P<device>{DEVICE})\b", re.I)
ENDS = re.compile(r"\bterminad?[ao]?\s+en\b", re.I)
SIGNS = re.compile(rf"\b(?:{DEVICE}|n[u\u00fa]m(?:ero)?|nro|termina\w*)\b", re.I)


def in_english(text: str) -> str:
    """A text in which units that are named in Spanish are named in English; all else stays."""
    if not SIGNS.search(text):
        return text
    text = PLACED.sub(lambda m: f"{PLACES[m.group('place').lower()]} {device_of(m.group('device'))}", text)
    for form in (NAMED, COUNTED):
        text = form.sub(numbered, text)
    return ENDS.sub("ends in", text)


def numbered(found: re.Match[str]) -> str:
    """A device and its number."""
    number = found.group("number").lower()
    return f"{device_of(found.group('device') or '')} number {NUMBERS.get(number, number)}".strip()


def device_of(said: str) -> str:
    """The English word for a device that is said in Spanish; empty where none is."""
    return next((word for word, form in DEVICES if said and re.fullmatch(form, said, re.I)), "")
