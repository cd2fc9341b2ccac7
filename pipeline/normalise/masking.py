"""Whole columns of free text masked: what `privacy.mask` does, done only where it could change something.

Each step of `mask` has a form that every text it changes contains, looked for in the whole column by polars (its
regular expressions know no look-around, so the form is wider than the step's own). The step itself runs on what is
found. `tests/pipeline/normalise/test_masking.py` holds the outcome to `privacy.mask`.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import polars as pl

from pipeline.normalise import privacy

ODD = r"[\x1c-\x1f]"  # blanks that Python counts and polars does not: such a text is always looked at
FOLDED = r"[\x{130}\x{131}\x{17f}\x{212a}]"  # characters that a search without case takes for plain letters
NEEDLES = 6  # parts of a caller's name that are looked for; a text whose caller has more is always looked at


@dataclass(frozen=True)
class Step:
    """One step of the masking: what every text holds that it changes, the step, and the step on many texts at once."""

    form: str
    apply: Callable[[str], str]
    on_all: Callable[[pl.Series], pl.Series] | None = None

    def on(self, texts: pl.Series) -> pl.Series:
        """Texts that hold the form, after the step."""
        return self.on_all(texts) if self.on_all else pl.Series(map(self.apply, texts.to_list()), dtype=pl.String)


def wider(pattern: re.Pattern[str]) -> str:
    """A step's own pattern without word borders and look-ahead."""
    return pattern.pattern.replace(r"\b", "").replace("(?=", "(?:")


def unless_upper(step: Callable[[str], str]) -> Callable[[str], str]:
    """A step that leaves texts in capitals alone: any of their words would look like a name."""
    return lambda text: text if text.isupper() else step(text)


def is_plain(texts: pl.Series) -> pl.Series:
    """Whether a text is such that polars and Python find the same in it, and count its characters alike."""
    return (texts.str.len_bytes() == texts.str.len_chars()) & ~texts.str.contains(ODD)


def without_short(texts: pl.Series) -> pl.Series:
    """`privacy.mask_dashed`, told where the first digits stand that could be a number."""
    starts = texts.str.find(privacy.SHORT_DIGITS).zip_with(is_plain(texts), pl.Series([0], dtype=pl.UInt32))
    masked = [privacy.mask_dashed(text, start or 0) for text, start in zip(texts.to_list(), starts, strict=True)]
    return pl.Series(masked, dtype=pl.String)


def without_led_in(texts: pl.Series) -> pl.Series:
    """`privacy.mask_after_lead`; where one name alone is led up to, each different name is judged once."""
    form = privacy.LEAD_IN.pattern
    plain, times = is_plain(texts), texts.str.count_matches(form)
    every, one = (~plain | (times > 1)).arg_true(), (plain & (times == 1)).arg_true()
    step = unless_upper(privacy.mask_after_lead)
    masked = texts.clone().scatter(every, pl.Series(map(step, texts.gather(every)), dtype=pl.String))
    return masked.scatter(one, without_one_name(texts.gather(one), form)) if one.len() else masked


def without_one_name(texts: pl.Series, form: str) -> pl.Series:
    """Plain texts in which words lead up to one name, which is masked if it can be one."""
    found = texts.str.extract_groups(form).struct
    lead, name, start = found.field("1"), found.field("2"), texts.str.find(form)
    once = name.unique()
    marks = pl.Series(map(privacy.masked_if_name, once), dtype=pl.String)
    behind = start + lead.str.len_bytes() + name.str.len_bytes()
    parts = (texts.str.slice(0, start), lead, name.replace_strict(once, marks), texts.str.slice(behind))
    return pl.select(pl.concat_str(*parts)).to_series()


SIGNED = rf"[-\x{{2013}}\x{{2014}}]{{1,2}}\s?{privacy.PART}(?:\s{privacy.PART}){{1,2}}\s*$"
STEPS = tuple(
    Step(f"{form}|{ODD}", *step)
    for form, *step in (
        (rf"(?i:{privacy.DIGIT_WORD}[\s,-]+{privacy.DIGIT_WORD})", privacy.mask_spoken),
        (privacy.LONG_DIGITS, privacy.mask_long),
        (privacy.SHORT_DIGITS, privacy.mask_dashed, without_short),
        (privacy.BARE_DIGITS, privacy.mask_bare),
        (r"(?i:x|ext|extn|extension)\.?\s*:?#?\s*\d\d", privacy.mask_extensions),
        (wider(privacy.LEAD_IN), unless_upper(privacy.mask_after_lead), without_led_in),
        (wider(privacy.GREETED), unless_upper(privacy.mask_greeted)),
        (wider(privacy.BEFORE_VERB), unless_upper(privacy.mask_before_verb)),
        (SIGNED, unless_upper(privacy.mask_signature)),
        (wider(privacy.BEFORE_PHONE), unless_upper(privacy.mask_before_phone)),
        (wider(privacy.SPEAKER), unless_upper(privacy.mask_speaker)),
        (rf"{wider(privacy.INITIAL)}|\[name\]{privacy.BETWEEN}\[name\]", privacy.mask_runs),
    )
)


def any_of(steps: Iterable[Step]) -> str:
    """One search for what several steps look for."""
    return "|".join(f"(?:{step.form})" for step in steps)


ANY_STEP = any_of(STEPS)  # lets most texts go
TOGETHER = 4  # steps that are searched for at once before each is by itself: most texts hold what one step changes


def mask_column(texts: pl.Series, names: pl.Series | None = None) -> pl.Series:
    """Each text masked as `privacy.mask` does it.

    Parameters
    ----------
    texts : free text as received
    names : for each text, that row's own caller or worker
    """
    own = without_own_names(texts, names)
    places = own.str.contains(ANY_STEP).fill_null(False).arg_true()
    if not places.len():
        return own
    looked = own.gather(places)
    once = looked.unique()
    if 2 * once.len() > looked.len():  # looking up what each has become would cost more than it saves
        return own.clone().scatter(places, mask_all(looked))
    return own.clone().scatter(places, looked.replace_strict(once, mask_all(once)))


def without_own_names(texts: pl.Series, names: pl.Series | None) -> pl.Series:
    """The first steps of `privacy.mask`: e-mail addresses, and the row's own caller."""
    wanted = texts.str.contains("@", literal=True)
    if names is None or names.null_count() == names.len():
        names = pl.Series([None], dtype=pl.String).new_from_index(0, texts.len())
    else:
        wanted |= may_hold_name(texts, names)
    places = (wanted & texts.is_not_null()).fill_null(False).arg_true()
    if not places.len():
        return texts
    pairs = list(zip(texts.gather(places).to_list(), names.gather(places).to_list(), strict=True))
    once = {pair: privacy.mask_own(*pair) for pair in dict.fromkeys(pairs)}
    return texts.clone().scatter(places, pl.Series([once[pair] for pair in pairs], dtype=pl.String))


def may_hold_name(texts: pl.Series, names: pl.Series) -> pl.Series:
    """Whether a text may hold its own caller's name, by the parts that are looked for."""
    once = names.unique().drop_nulls()
    parts = [privacy.needles(name) for name in once]
    looked_for = [f"part_{n}" for n in range(min(NEEDLES, max(map(len, parts), default=0)))]
    schema = {"name": pl.String, **dict.fromkeys(looked_for, pl.String), "always": pl.Boolean}
    rows = [
        (name, *[*of_name, *[None] * NEEDLES][: len(looked_for)], len(of_name) > NEEDLES or not name.isascii())
        for name, of_name in zip(once, parts, strict=True)
    ]
    frame = pl.DataFrame({"text": texts, "name": names}).with_columns(low=texts.str.to_lowercase())
    looked = frame.join(pl.DataFrame(rows, schema=schema, orient="row"), on="name", how="left", maintain_order="left")
    return looked.select(
        pl.any_horizontal(
            "always",
            pl.col("text").str.contains(FOLDED) & pl.col("name").is_not_null(),
            *[pl.col("low").str.contains(pl.col(part), literal=True) for part in looked_for],
        )
    ).to_series()


def mask_all(texts: pl.Series) -> pl.Series:
    """Texts after the later steps of `privacy.mask`."""
    for first in range(0, len(STEPS), TOGETHER):
        steps = STEPS[first : first + TOGETHER]
        places = texts.str.contains(any_of(steps)).arg_true()
        looked = texts.gather(places)
        for step in steps if places.len() else ():
            held = looked.str.contains(step.form).arg_true()
            if held.len():
                looked = looked.scatter(held, step.on(looked.gather(held)))
        texts = texts.clone().scatter(places, looked) if places.len() else texts
    return texts
