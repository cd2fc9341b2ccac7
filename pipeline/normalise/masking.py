"""Whole columns of free text masked: what `privacy.mask` does, done only where it could change something.

Each step of `mask` has a form that every text it changes contains, looked for in the whole column by polars (its
regular expressions know no look-around, so the form is wider than the step's own). The step itself runs on what is
found. `tests/pipeline/normalise/test_masking.py` holds the outcome to `privacy.mask`.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from pipeline.normalise import privacy

ODD = r"[\x1c-\x1f]"  # blanks that Python counts and polars does not: such a text is always looked at
FOLDED = r"[\x{130}\x{131}\x{17f}\x{212a}]"  # characters that a search without case takes for plain letters
NEEDLES = 6  # parts of a caller's name that are looked for; a text whose caller has more is always looked at


@dataclass(frozen=True)
class Step:
    """One step of the masking: what every text holds that it changes, and the step."""

    form: str
    apply: Callable[[str], str]


def wider(pattern: re.Pattern[str]) -> str:
    """A step's own pattern without word borders and look-ahead."""
    return pattern.pattern.replace(r"\b", "").replace("(?=", "(?:")


def unless_upper(step: Callable[[str], str]) -> Callable[[str], str]:
    """A step that leaves texts in capitals alone: any of their words would look like a name."""
    return lambda text: text if text.isupper() else step(text)


SIGNED = rf"[-\x{{2013}}\x{{2014}}]{{1,2}}\s?{privacy.PART}(?:\s{privacy.PART}){{1,2}}\s*$"
STEPS = tuple(
    Step(f"{form}|{ODD}", step)
    for form, step in (
        (rf"(?i:{privacy.DIGIT_WORD}[\s,-]+{privacy.DIGIT_WORD})", privacy.mask_spoken),
        (privacy.LONG_DIGITS, privacy.mask_long),
        (privacy.SHORT_DIGITS, privacy.mask_dashed),
        (privacy.BARE_DIGITS, privacy.mask_bare),
        (r"(?i:x|ext|extn|extension)\.?\s*:?#?\s*\d\d", privacy.mask_extensions),
        (wider(privacy.LEAD_IN), unless_upper(privacy.mask_after_lead)),
        (wider(privacy.BEFORE_VERB), unless_upper(privacy.mask_before_verb)),
        (SIGNED, unless_upper(privacy.mask_signature)),
        (wider(privacy.BEFORE_PHONE), unless_upper(privacy.mask_before_phone)),
        (rf"{wider(privacy.INITIAL)}|\[name\]{privacy.BETWEEN}\[name\]", privacy.mask_runs),
    )
)


def mask_column(texts: pl.Series, names: pl.Series | None = None) -> pl.Series:
    """Each text masked as `privacy.mask` does it.

    Parameters
    ----------
    texts : free text as received
    names : for each text, that row's own caller or worker
    """
    nobody = pl.Series([None], dtype=pl.String).new_from_index(0, texts.len())
    own = pl.Series(without_own_names(texts, nobody if names is None else names), dtype=pl.String)
    once = own.unique()
    masked = pl.DataFrame({"text": once, "masked": mask_distinct(once)})
    found = own.to_frame("text").join(masked, on="text", how="left", maintain_order="left", nulls_equal=True)
    return found["masked"].alias(texts.name)


def without_own_names(texts: pl.Series, names: pl.Series) -> list[str | None]:
    """The first steps of `privacy.mask`: e-mail addresses, and the row's own caller."""
    frame = pl.DataFrame({"text": texts, "name": names}).with_columns(low=pl.col("text").str.to_lowercase())
    wanted = frame.select(pl.col("text").str.contains("@", literal=True) | may_hold_name(frame)).to_series()
    wanted &= texts.is_not_null()
    found = texts.to_list()
    once: dict[tuple[str, str | None], str] = {}
    for place in wanted.fill_null(False).arg_true().to_list():
        pair = found[place], names[place]
        if pair not in once:
            once[pair] = privacy.mask_own(*pair)
        found[place] = once[pair]
    return found


def may_hold_name(frame: pl.DataFrame) -> pl.Expr:
    """Whether a text may hold its own caller's name, by the parts that are looked for."""
    names = frame["name"].unique().drop_nulls()
    parts = [privacy.needles(name) for name in names]
    schema = {"name": pl.String, **{f"part_{n}": pl.String for n in range(NEEDLES)}, "always": pl.Boolean}
    rows = [
        (name, *[*of_name, *[None] * NEEDLES][:NEEDLES], len(of_name) > NEEDLES or not name.isascii())
        for name, of_name in zip(names, parts, strict=True)
    ]
    looked = frame.join(pl.DataFrame(rows, schema=schema, orient="row"), on="name", how="left", maintain_order="left")
    held = looked.select(
        pl.any_horizontal(
            "always",
            pl.col("text").str.contains(FOLDED) & pl.col("name").is_not_null(),
            *[pl.col("low").str.contains(pl.col(f"part_{n}"), literal=True) for n in range(NEEDLES)],
        )
    )
    return pl.lit(held.to_series())


def mask_distinct(texts: pl.Series) -> list[str | None]:
    """The later steps of `privacy.mask`, on texts that are all different."""
    found = texts.to_list()
    held = texts.to_frame("text").select(
        pl.col("text").str.contains(step.form).fill_null(False).alias(str(n)) for n, step in enumerate(STEPS)
    )
    changed: list[int] = []
    for n, step in enumerate(STEPS):
        again = pl.Series([found[place] for place in changed], dtype=pl.String).str.contains(step.form)
        places = {*held[str(n)].arg_true(), *(changed[place] for place in again.arg_true())}
        before = len(changed)
        for place in places:
            text = found[place] or ""
            masked = step.apply(text)
            if masked != text:
                found[place] = masked
                changed.append(place)
        changed = changed if len(changed) == before else sorted(set(changed))
    return found
