"""The journal: what was done to a gadget on the bench, and the scenario that does the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from simfw.gadget.model import Gadget
from simfw.stimuli.inputs import INPUTS, Kind
from simfw.stimuli.scenario import Step

__all__ = ["Deed", "Journal", "levels_at_rest", "steps_of"]

Place = tuple[Kind, str]


@dataclass(frozen=True, slots=True)
class Deed:
    """Something was done: at `time_ns` the input `name` of `kind` came to `level`.

    Levels are those of the table of inputs: a contact is 1 closed and 0 open, a hand stands at its
    distance in m (-1: no hand), USB and a fault are 1 or 0, a measure and the temperature have
    their value.
    """

    time_ns: int
    kind: Kind
    name: str
    level: float


@dataclass(frozen=True, slots=True)
class Journal:
    """What was done, the last deed first: a journal and those that go on from it share its past."""

    last: Deed | None = None
    before: Journal | None = None
    count: int = 0

    def with_deed(self, deed: Deed) -> Journal:
        """The journal that goes on with `deed`."""
        return Journal(deed, self, self.count + 1)

    def deeds(self) -> tuple[Deed, ...]:
        """All that was done, in order of time."""
        found: list[Deed] = []
        here: Journal | None = self
        while here is not None and here.last is not None:
            found.append(here.last)
            here = here.before
        return tuple(reversed(found))


def levels_at_rest(gadget: Gadget) -> dict[Place, float]:
    """Every input of a gadget with the level at which it stands while nobody touches it."""
    return {(kind.kind, name): kind.rest(gadget, name)
            for kind in INPUTS.values() for name in kind.members(gadget)
            if gadget.charger is not None or kind.kind not in ("usb", "fault")}


def steps_of(deeds: Iterable[Deed], gadget: Gadget, end_ns: int) -> tuple[Step, ...]:
    """The steps of a scenario that do the same, by time; what is on at the end stays on."""

    def all_steps() -> Iterator[Step]:
        courses: dict[Place, list[tuple[int, float]]] = {}
        for deed in deeds:
            courses.setdefault((deed.kind, deed.name), []).append((deed.time_ns, deed.level))
        for (kind, name), levels in courses.items():
            yield from INPUTS[kind].steps(gadget, name, levels, end_ns)

    return tuple(sorted(all_steps(), key=lambda step: step.at_ns))
