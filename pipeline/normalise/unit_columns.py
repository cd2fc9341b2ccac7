"""What a county calls its units: the further columns of its roster whose values tell units of one kind at a site apart.

What such a column is called does not matter, only its values: "red tape", "A", "P3", "desk 2", CO-0417. Dates,
amounts, notes, and what is alike for all are no names. Common practice, no source.
"""

import json
import re
from collections import defaultdict
from collections.abc import Iterable
from itertools import combinations
from typing import Any

LONGEST, MOST_WORDS = 24, 4  # of a name [letters; words]; longer ones are notes: our choice
# Of the values of a column: as many are short, are no date and no amount; of the pairs of units of one site and kind as
# many differ; and of the units beside one that has a name as many have one too [share]: our choice
MOST, FILLED = 0.9, 0.5
ORDERLY = 0.5  # of the sites where numbers follow each other [share]: our choice
PART = re.compile(r"[^\W\d_]+|\d+")
DATE_OR_AMOUNT = re.compile(
    r"(?:19|20)\d\d|\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}(?:[t ].*)?|\d{1,2}[-\s]?[a-z]{3,9}\.?[-\s,]*\d{2,4}"
    r"|[a-z]{3,9}\.?\s\d{1,2},?\s\d{4}|\d{1,2}:\d\d(?::\d\d)?(?:\s?[ap]m)?"
    r"|[-+]?\d+[.,]\d+\s*[a-z%]*|[$\u20ac\u00a3]\s?\d.*|[-+]\d+|\d+\s*(?:%|kg|lbs?|v|w|wh|ah|mah|mm|cm|in|min|h|hrs?|days?|years?|yrs?|usd)",
    re.I,
)


def names_given(rows: Iterable[dict[str, Any]]) -> dict[str, tuple[str, ...]]:
    """What the further columns call each unit, by its id.

    Parameters
    ----------
    rows : the roster, with `unit_id`, `site_id`, `type` and `attributes`, the further columns as a JSON object
    """
    columns: dict[tuple[str, str], dict[str, str]] = defaultdict(dict)
    groups: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        if row["site_id"]:
            groups[row["type"]][row["site_id"]].append(row["unit_id"])
        for column, value in json.loads(row["attributes"] or "{}").items():
            if isinstance(value, str | int) and str(value).strip():
                columns[column, row["type"]][row["unit_id"]] = str(value).strip()
    naming = {column for (column, kind), values in columns.items() if are_names(values, groups[kind].values())}
    found: dict[str, list[str]] = defaultdict(list)
    for (column, _), values in sorted(columns.items()):
        if column in naming:
            for unit_id, value in values.items():
                found[unit_id].append(value)
    return {unit_id: tuple(names) for unit_id, names in found.items()}


def are_names(values: dict[str, str], groups: Iterable[list[str]]) -> bool:
    """Whether a column's values tell units of a kind at a site apart, as names do.

    Parameters
    ----------
    values : the column, by unit of the kind
    groups : the units of the kind at each site
    """
    if sum(map(is_name, values.values())) < MOST * len(values):
        return False
    together = [group for group in groups if len(group) > 1 and any(unit in values for unit in group)]
    filled = [[values[unit].casefold() for unit in group if unit in values] for group in together]
    if sum(map(len, filled)) < FILLED * sum(map(len, together)):
        return False
    pairs = [one != other for named in filled for one, other in combinations(named, 2)]
    return bool(pairs) and sum(pairs) >= MOST * len(pairs) and (are_unlike(values.values()) or are_in_order(filled))


def are_unlike(values: Iterable[str]) -> bool:
    """Whether values that end in a number are hardly ever had twice in the county; no others are asked for more."""
    numbered = [value.casefold() for value in values if value[-1].isdigit()]
    return len(set(numbered)) >= MOST * len(numbered)


def are_in_order(groups: Iterable[list[str]]) -> bool:
    """Whether the numbers that values of one site end in follow each other, "P2, P3, P4", and are no lot or shelf."""
    ends = [[int(value[len(value.rstrip("0123456789")) :]) for value in g if value[-1].isdigit()] for g in groups]
    several = [sorted(numbers) for numbers in ends if len(numbers) > 1]
    follow = [numbers[-1] - numbers[0] == len(set(numbers)) - 1 for numbers in several]
    return not follow or sum(follow) >= ORDERLY * len(follow)


def is_name(value: str) -> bool:
    """Whether a value is short, and neither a date nor an amount."""
    is_short = len(value) <= LONGEST and len(value.split()) <= MOST_WORDS
    return is_short and not DATE_OR_AMOUNT.fullmatch(value)


def parts_of(name: str) -> list[str]:
    """The letters and the numbers of a name in turn, lower case, numbers without leading zeros."""
    return [p.lstrip("0") or "0" for p in PART.findall(name.lower())]
