"""How long stops take for each vehicle, as the search asks for it: what comes up again is worked out once."""

from collections.abc import Sequence

from pipeline.estimates.dispatch.carried import Carried, Wants
from pipeline.estimates.dispatch.scene import Scene


class Vehicle:
    """How long each need takes for the vehicles that carry the same, after the needs that they see to before.

    `first` is a need's minutes as the first stop. `marks` are the parts on board that it may take, as bits: needs
    without a common one do not touch each other. It is None where no two of them do.
    """

    def __init__(self, visits: list[float], second: float, carried: Carried, kinds: list[Wants], of_need: list[int]):
        self.visits, self.second, self.carried, self.kinds, self.of_need = visits, second, carried, kinds, of_need
        longer = [second * carried.chance_lacking(stop, ()) for stop in kinds]
        marks = [carried.marks(stop) for stop in kinds]
        self.first = [visit + longer[kind] for visit, kind in zip(visits, of_need, strict=True)]
        self.marks = [marks[kind] for kind in of_need] if any(marks) else None
        self.later: dict[tuple[int, ...], float] = {}  # by kinds, the last one's minutes more after the others

    def lengths(self, order: Sequence[int]) -> list[float]:
        """How long each stop of an order takes: longer where one before may have used up its part [min]."""
        first, marks = self.first, self.marks
        if marks is None or len(order) < 2:
            return [first[need] for need in order]
        takes, taken = [], 0
        for place, need in enumerate(order):
            mark = marks[need]
            takes.append(self.after(need, order[:place]) if taken & mark else first[need])
            taken |= mark
        return takes

    def after(self, need: int, before: Sequence[int]) -> float:
        """How long a need takes after others [min]."""
        if self.marks is None:
            return self.first[need]
        marks, of_need, mark = self.marks, self.of_need, self.marks[need]
        touching = [of_need[n] for n in before if marks[n] & mark]
        if not touching:
            return self.first[need]
        key = (*touching, of_need[need])
        longer = self.later.get(key)
        if longer is None:
            *earlier, own = (self.kinds[kind] for kind in key)
            longer = self.later[key] = self.second * self.carried.chance_lacking(own, earlier)
        return self.visits[need] + longer

    def is_touched(self, before: Sequence[int], after: Sequence[int]) -> bool:
        """Whether one of the needs `after` may want a part on board that one before it may want too."""
        marks = self.marks
        if marks is None:
            return False
        taken = 0
        for need in before:
            taken |= marks[need]
        for need in after:
            if taken & marks[need]:
                return True
            taken |= marks[need]
        return False


def vehicles(scene: Scene) -> list[Vehicle]:
    """Every rover's vehicle; those that carry the same share one."""
    visits, second = [need.visit_minutes for need in scene.needs], scene.settings["dispatch.second_visit_minutes"]
    kinds: dict[bool, tuple[list[Wants], list[int]]] = {}  # what the needs want, each kind once, and every need's kind
    found: dict[Carried | None, Vehicle] = {None: Vehicle(visits, second, NOTHING_LACKS, [()], [0] * len(visits))}
    for carried in scene.carried.values():
        if carried in found:
            continue
        if carried.has_power_skill not in kinds:
            number: dict[Wants, int] = {}
            wants = (carried.wants(need, scene.settings) for need in scene.needs)
            of_need = [number.setdefault(stop, len(number)) for stop in wants]
            kinds[carried.has_power_skill] = list(number), of_need
        found[carried] = Vehicle(visits, second, carried, *kinds[carried.has_power_skill])
    return [found[scene.carried.get(r)] for r in range(len(scene.rovers))]


NOTHING_LACKS = Carried((), has_power_skill=True, are_ballots_listed=False)  # of stops that want nothing
