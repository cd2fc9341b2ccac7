"""What a vehicle carries for the troubles at hand, and how much longer a stop takes for want of it along a route."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from pipeline.estimates.dispatch.needs import Need
from pipeline.estimates.dispatch.rovers import BROUGHT, PART_WORDS, SUPPLY, Rover, fits, part_needed

Wants = tuple[tuple[str, float], ...]  # a stop's troubles, each with the chance that it needs a part that fits


@dataclass(frozen=True)
class Carried:
    """The parts on board that fit one of the troubles at hand, with their number."""

    parts: tuple[tuple[str, int], ...]
    has_power_skill: bool
    are_ballots_listed: bool  # by some vehicle; else they are brought for the stop

    def wants(self, need: Need, settings: Mapping[str, float]) -> Wants:
        """The troubles of a stop that may take a part, with their chances."""
        if need.foreseen and need.categories == ("power",) and not self.has_power_skill:
            return ((SUPPLY, 1.0),)
        return tuple(
            (category, part_needed(category, settings))
            for category in need.categories
            if category in PART_WORDS and (self.are_ballots_listed or category != BROUGHT)
        )

    @cached_property
    def stock(self) -> dict[str, tuple[int, int]]:
        """By kind of trouble, the parts that fit it as bits, and how many there are."""
        fitting = {c: [k for k, (name, _) in enumerate(self.parts) if fits(c, name)] for c in (*PART_WORDS, SUPPLY)}
        return {c: (sum(1 << k for k in own), sum(self.parts[k][1] for k in own)) for c, own in fitting.items()}

    def chance_used_up(self, category: str, before: Iterable[tuple[str, float]]) -> float:
        """The chance that the troubles seen to before have taken all that fits this one; 1 where there was nothing.

        A trouble takes one part with its chance; troubles share what fits both.
        """
        own, count = self.stock[category]
        return at_least(count, [chance for other, chance in before if own & self.stock[other][0]])

    def chance_lacking(self, stop: Wants, before: Sequence[Wants]) -> float:
        """The chance that a stop needs a part that is not on board any more; its troubles are independent."""
        taken = [trouble for earlier in before for trouble in earlier]
        spared = 1.0
        for category, chance in stop:
            spared *= 1 - chance * self.chance_used_up(category, taken)
            taken.append((category, chance))
        return 1 - spared

    def lacks(self, stop: Wants) -> list[str]:
        """The troubles of a stop for which nothing was ever on board."""
        return ["power" if category == SUPPLY else category for category, _ in stop if not self.stock[category][1]]

    def used_up(self, stop: Wants, before: Sequence[Wants]) -> dict[str, float]:
        """By trouble of a stop, the chance that the stops before have taken all that fits it."""
        taken = [trouble for earlier in before for trouble in earlier]
        return {"power" if c == SUPPLY else c: self.chance_used_up(c, taken) for c, _ in stop}


def carried_by(rovers: Sequence[Rover], needs: Sequence[Need]) -> dict[int, Carried]:
    """By rover, what it carries for these needs; rovers whose parts nobody has listed are left out and lack nothing.

    Ballots are brought for the stop and are no spare part: they lack only where some vehicle lists them.
    """
    kinds = {category for need in needs for category in need.categories if category in PART_WORDS}
    are_listed = any(fits(BROUGHT, name) for rover in rovers for name in rover.parts)
    return {
        r: Carried(
            tuple(
                (name, count)
                for name, count in sorted(rover.parts.items())
                if count > 0 and any(fits(category, name) for category in kinds)
            ),
            "power" in rover.skills,
            are_listed,
        )
        for r, rover in enumerate(rovers)
        if rover.parts
    }


def at_least(count: int, chances: Sequence[float]) -> float:
    """The chance that at least so many of independent events come about (Poisson binomial)."""
    if count > len(chances):
        return 0.0
    fewer = [1.0] + [0.0] * (count - 1) if count else []  # by number: the chance that just so many have
    for chance in chances:
        for k in range(count - 1, -1, -1):
            fewer[k] = fewer[k] * (1 - chance) + (fewer[k - 1] * chance if k else 0.0)
    return 1 - math.fsum(fewer)
