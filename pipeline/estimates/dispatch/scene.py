"""What a plan is judged by: rovers, needs, drives, what each need loses by when it is mended, and the index rule."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.estimates.dispatch.carried import Carried
from pipeline.estimates.dispatch.needs import Need
from pipeline.estimates.dispatch.rovers import Rover

Order = list[int]


@dataclass(frozen=True)
class Leg:
    """One stop of a rover: when it leaves, arrives and is done, in minutes from T."""

    need: int
    leave: float
    arrive: float
    done: float


@dataclass(frozen=True)
class Scene:
    """Everything a plan is judged by.

    `minutes` holds the drives: a row for each rover's place, then one for each need's site; a column for each need.
    `under_way` holds, by need, when the rover already driving there should arrive [min from T]. `drivers` holds, by
    need, the rover that drives there and may be diverted: a plan in which that is not its first stop costs
    `switching_cost` more. `pinned` holds, by rover, how many of its committed stops come first in their given order.
    `begins` holds, by need, when work begins where two rovers have to be there [min from T]. `carried` holds, by rover,
    its parts; one that is left out lacks nothing.
    """

    rovers: Sequence[Rover]
    needs: Sequence[Need]
    minutes: NDArray[np.float64]
    settings: Mapping[str, float]
    under_way: Mapping[int, float]
    drivers: Mapping[int, int] = field(default_factory=dict)
    pinned: Mapping[int, int] = field(default_factory=dict)
    begins: Mapping[int, float] = field(default_factory=dict)
    carried: Mapping[int, Carried] = field(default_factory=dict)

    def longer(self, rover: int, need: int, before: Sequence[int] = ()) -> float:
        """How much longer a rover takes at a need on average for want of a part, after the needs before [min]."""
        carried = self.carried.get(rover)
        if carried is None:
            return 0.0
        stop, *earlier = (carried.wants(self.needs[n], self.settings) for n in (need, *before))
        return self.settings["dispatch.second_visit_minutes"] * carried.chance_lacking(stop, earlier)

    def used_up(self, rover: int, need: int, before: Sequence[int]) -> dict[str, float]:
        """By trouble of a need, the chance that no part that fits is left on board after the needs before."""
        carried = self.carried.get(rover)
        if carried is None:
            return {}
        stop, *earlier = (carried.wants(self.needs[n], self.settings) for n in (need, *before))
        return carried.used_up(stop, earlier)

    def legs(self, rover: int, order: Sequence[int]) -> list[Leg]:
        """A rover's stops in this order, with their times."""
        who, node, clock, legs = self.rovers[rover], rover, self.rovers[rover].free_at, []
        for place, need in enumerate(order):
            if place == 0 and need in self.under_way and self.drivers.get(need, rover) == rover:
                leave, arrive = 0.0, self.under_way[need]
            else:
                leave = who.leaves(clock)
                arrive = leave + float(self.minutes[node, need])
            begins = max(arrive, self.begins.get(need, arrive))
            clock = begins + self.needs[need].visit_minutes + self.longer(rover, need, order[:place])
            node = len(self.rovers) + need
            legs.append(Leg(need, leave, arrive, clock))
        return legs


def index(scene: Scene) -> NDArray[np.float64]:
    """The index rule, rover by need: what mending it now rather than H later saves, by minute of work squared.

    q·[EC(a_c+H) − EC(a_c)] / (H·(τ+s)²), a_c the age when mended, τ the drive, s the visit, H `index_horizon_minutes`.
    """
    horizon = scene.settings["dispatch.index_horizon_minutes"]
    needs = scene.needs
    visit = np.array([need.visit_minutes for need in needs])
    work = scene.minutes[: len(scene.rovers)] + visit
    start = work + np.array([rover.free_at for rover in scene.rovers])[:, None]
    return (lost(needs, start + horizon) - lost(needs, start)) / (horizon * np.maximum(work, 1.0) ** 2)


def lost(needs: Sequence[Need], minutes: NDArray[np.float64]) -> NDArray[np.float64]:
    """`Need.lost` of every need (columns) at many times [min from T]."""
    if not needs:
        return np.zeros(minutes.shape)
    chance, age, level = (np.array(v) for v in zip(*((n.chance, n.age, n.cost.level) for n in needs), strict=True))
    delay, cap = np.array([n.cost.delay for n in needs]), np.array([n.cost.cap for n in needs])
    growth = np.array([n.cost.growth * n.cost.clearing for n in needs])

    def grown(at: NDArray[np.float64]) -> NDArray[np.float64]:
        x = np.maximum(at - delay, 0.0)
        return np.where(x <= cap, x * x / 2, cap * x - cap * cap / 2)

    found: NDArray[np.float64] = chance * (level * minutes + growth * (grown(age + minutes) - grown(age)))
    for n, need in enumerate(needs):
        if need.also:
            found[:, n] += lost(need.also, np.repeat(minutes[:, n : n + 1], len(need.also), axis=1)).sum(axis=1)
    return found
