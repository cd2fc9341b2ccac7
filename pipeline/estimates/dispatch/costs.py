"""What a trouble costs as it ages, in voter-minutes."""

from dataclasses import dataclass

MOST_CLEARING = 3.0  # a line that can hardly keep up: our choice


@dataclass(frozen=True)
class Cost:
    """Voter-minutes that one trouble costs by the time it is `age` minutes old.

    `level`·age + `growth`·`clearing`·F(age − `delay`): F grows as a square up to `cap` minutes, then in a line.
    """

    level: float  # people held up whatever happens [people]
    growth: float  # people a minute who join them, times the chance that voting stops [people/min]
    delay: float = 0.0  # minutes until it stops (a battery's run time) [min]
    cap: float = 120.0  # [min]
    clearing: float = 1.0  # what piled up has to be worked off afterwards: see clearing_factor

    def __call__(self, age: float) -> float:
        """Voter-minutes lost up to `age` [min]."""
        x = max(0.0, age - self.delay)
        grown = x * x / 2 if x <= self.cap else self.cap * x - self.cap * self.cap / 2
        return self.level * age + self.growth * self.clearing * grown


def coming_to(voter_minutes: float, delay: float, lasting: float, cap: float, age: float = 0.0) -> Cost:
    """A cost that begins after `delay` and comes to so many voter-minutes if nobody comes for `lasting` minutes.

    Parameters
    ----------
    delay : counted from the trouble's beginning, `age` minutes ago [min]
    lasting : counted from T [min]
    """
    shape = Cost(0.0, 1.0, delay, cap)
    whole = shape(age + lasting) - shape(age)
    return Cost(0.0, voter_minutes / whole if whole > 0 else 0.0, delay, cap)


def clearing_factor(arrivals: float, capacity: float) -> float:
    """How much longer voters wait in all because what piled up during a stop has to be worked off: μ/(μ − λ).

    Parameters
    ----------
    arrivals : λ [1/min]
    capacity : μ, voters that the line can serve [1/min]

    Source: the triangle of a fluid queue, ½·λ·d²·μ/(μ − λ) voter-minutes after a stop of d minutes (Newell,
    "Applications of Queueing Theory", 1982, from memory). At most `MOST_CLEARING`: the rush ends some time.
    """
    if capacity <= 0 or arrivals <= 0:
        return 1.0
    return MOST_CLEARING if arrivals >= capacity else min(MOST_CLEARING, capacity / (capacity - arrivals))
