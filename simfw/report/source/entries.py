"""Entries of the C tables for what a dial drives or scales, and what an entry is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from simfw.behaviour.region import Region
from simfw.report.source.plan import (
    Output,
    Plan,
    StateRef,
    drive_level,
    factor_ways,
    factor_words,
    given_by,
    scaled_level,
    scalers,
)

__all__ = ["Dialled", "Entry", "Scales", "dial_fields", "runs"]


@dataclass(frozen=True, slots=True)
class Entry:
    """The fields of one entry as C, and what it is, in words."""

    fields: tuple[str, ...]
    text: str = ""


def runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Neighbouring whole numbers as ranges, first and last."""
    found: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if found and found[-1][1] == number - 1:
            found[-1] = (found[-1][0], number)
        else:
            found.append((number, number))
    return found


def _kept(numbers: list[int], some: list[int]) -> int:
    """Where `some` stand in a row among `numbers`; at their end if they did not yet."""
    for place in range(len(numbers) - len(some) + 1):
        if numbers[place : place + len(some)] == some:
            return place
    numbers += some
    return len(numbers) - len(some)


class Dialled:
    """What drives each output by a dial: in which states of a region by which dial, and where the
    ranks of its positions stand.
    """

    def __init__(self, plan: Plan) -> None:
        self.entries: list[Entry] = []
        self.first: list[int] = []
        self.ranks: list[int] = []
        kept: dict[tuple[int, ...], int] = {}
        for output in plan.outputs:
            self.first.append(len(self.entries))
            for region in plan.system.regions:
                by_dial: dict[str, list[str]] = {}
                for state in region.states:
                    drive = state.outputs.get(output.name)
                    if drive is not None and drive.dial is not None:
                        by_dial.setdefault(drive.dial, []).append(state.name)
                for dial, states in by_dial.items():
                    ranks = tuple(output.given(drive_level(drive))
                                  for drive in given_by(plan.system, dial))
                    if ranks not in kept:
                        kept[ranks] = len(self.ranks)
                        self.ranks += ranks
                    self.entries += [
                        Entry((*fields, f"{kept[ranks]}u"),
                              f"{output.name}: {region.name} by {dial}")
                        for fields in dial_fields(plan, region, states, dial)
                    ]
        self.first.append(len(self.entries))


def dial_fields(plan: Plan, region: Region, states: Iterable[str], dial: str
                ) -> Iterator[tuple[str, ...]]:
    """Region, first and last state, dial and its first state, for each run of states."""
    names = list(plan.states.values())
    first = StateRef(dial, plan.system.region(dial).states[0].name)
    numbers = (plan.state_numbers[StateRef(region.name, state)] for state in states)
    for low, high in runs(numbers):
        yield (plan.regions[region.name], names[low], names[high], plan.regions[dial],
               plan.states[first])


class Scales:
    """What is left of each output under the factors of all regions that scale it: a list of ranks,
    or the factors and what they multiply.
    """

    def __init__(self, plan: Plan) -> None:
        self.entries: list[Entry] = []
        self.first: list[int] = []
        self.dialled: list[Entry] = []
        self.dialled_first: list[int] = []
        self.places: list[int | None] = []
        self.ranks: list[int] = []
        self.factors: list[int] = []
        self.given: list[int] = []
        self.given_first: list[int | None] = []
        names = list(plan.states.values())
        for output in plan.outputs:
            self.first.append(len(self.entries))
            self.dialled_first.append(len(self.dialled))
            regions = scalers(plan.system, output.name)
            if not regions:
                self.places.append(None)
                self.given_first.append(None)
                continue
            # Two colours that are dimmed alike share their lists.
            if output.words:
                words = factor_words(plan.system, output.name)
                self.places.append(_kept(self.factors, words))
                self.given_first.append(_kept(self.given, list(output.words)))
                step = 1
            else:
                self.places.append(_kept(self.ranks, [
                    rank for way in factor_ways(plan.system, output.name)
                    for rank in self._left(output, way)]))
                self.given_first.append(None)
                step = len(output.driven) if output.segments is None else output.segments + 1
            for scaler in regions:
                region = scaler.region
                for place, factor in enumerate(scaler.fixed, start=1):
                    numbers = [plan.state_numbers[StateRef(region.name, state.name)]
                               for state in region.states
                               if state.scales.get(output.name) == factor]
                    self.entries += [
                        Entry((plan.regions[region.name], names[low], names[high],
                               f"{place * step}u"), f"{output.name}: {region.name}")
                        for low, high in runs(numbers)
                    ]  # fmt: skip
                place = 1 + len(scaler.fixed)
                for dial, values in scaler.dials.items():
                    states = [state.name for state in region.states
                              if state.dial_scales.get(output.name) == dial]
                    self.dialled += [
                        Entry((*fields, f"{place}u", f"{step}u"),
                              f"{output.name}: {region.name} by {dial}")
                        for fields in dial_fields(plan, region, states, dial)
                    ]
                    place += len(values)
                step *= len(scaler.factors)
        self.first.append(len(self.entries))
        self.dialled_first.append(len(self.dialled))

    @staticmethod
    def _left(output: Output, way: tuple[float, ...]) -> list[int]:
        """The rank that is left of each level that is given."""
        if output.segments is not None:
            return [rank if all(way) else 0 for rank in range(output.segments + 1)]
        shares = dict(output.levels)
        return [output.rank(scaled_level(number, shares[number], way, None)[0])
                for number in output.driven]
