"""What may weigh on the cell at once: the least and the most that a gadget can have on.

The terminal voltage falls with everything that is switched on, so that whatever a gadget does lies
between its lightest and its heaviest load sets. Each region is in one of its states, each sensor is
asleep or in a burst, the bars are out or lit; which of these can come together is not asked, so
that the sets are never less than what can be. Taken where the gauge reads, awake.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from simfw.circuit.circuit import LoadSet

if TYPE_CHECKING:
    from simfw.gadget.fields import Level
    from simfw.gadget.model import Gadget

__all__ = ["heaviest_loads", "lightest_loads"]

_MOST = 16  # sets that are looked at; more become one

Drive = tuple[int, float]  # segments (-1 where they have no meaning), duty
Drives = Mapping[str, Drive]


def heaviest_loads(gadget: Gadget) -> tuple[LoadSet, ...]:
    """Load sets of which one is at least as heavy as anything that the gadget can have on."""
    return _loads(_outermost(gadget, _covers, _joined))


def lightest_loads(gadget: Gadget) -> tuple[LoadSet, ...]:
    """Load sets of which one is at most as heavy as anything that the gadget can have on."""
    return _loads(_outermost(gadget, lambda one, other: _covers(other, one), _common))


def _loads(found: Iterable[Drives]) -> tuple[LoadSet, ...]:
    return tuple(
        LoadSet(
            drives=tuple((name, duty, segments) for name, (segments, duty) in sorted(one.items())),
            controller="awake",
        )
        for one in found
    )


def _groups(gadget: Gadget) -> list[list[Drives]]:
    """What each part of the firmware may have on: one of its entries at a time."""
    groups: list[list[Drives]] = []
    for name, sensor in gadget.proximity.items():
        burst: dict[str, Drive] = {}
        if sensor.receiver is not None:
            burst[f"{name}.receiver"] = (-1, 1.0)
        if sensor.emitter is not None:
            burst[f"{name}.emitter"] = (-1, sensor.duty.value)
        groups.append([{}, burst])
    gauge = gadget.gauge
    if gauge is not None and gauge.light is not None and gauge.thresholds:
        groups.append([{}, {gauge.light: (len(gauge.thresholds), 1.0)}])
    for behaviour in gadget.behaviour.values():
        groups.append([_written(gadget, levels) for levels in behaviour.states.values()])
    return groups


def _written(gadget: Gadget, levels: Mapping[str, Level]) -> Drives:
    segments = gadget.segments
    found: dict[str, Drive] = {}
    for name, level in levels.items():
        if name == "controller":
            continue
        if level.named in gadget.dials:
            level = max(gadget.dials[level.named].levels,
                        key=lambda one: (one.segments or 0, one.duty))
        if name in segments:
            lit = segments[name] * (level.duty > 0) if level.segments is None else level.segments
            if lit:
                found[name] = (lit, 1.0)
        elif level.duty > 0:
            found[name] = (-1, level.duty)
    return found


def _outermost(
    gadget: Gadget,
    beyond: Callable[[Drives, Drives], bool],
    together: Callable[[Drives, Drives], Drives],
) -> list[Drives]:
    """The sets that no other goes beyond, of all that the groups make together."""
    found: list[Drives] = [{}]
    for group in _groups(gadget):
        kept: list[Drives] = []
        for one in (_joined(done, more) for done in found for more in group):
            if not any(beyond(other, one) for other in kept):
                kept = [other for other in kept if not beyond(one, other)]
                kept.append(one)
        while len(kept) > _MOST:
            kept = [together(kept[0], kept[1]), *kept[2:]]
        found = kept
    return found


def _covers(one: Drives, other: Drives) -> bool:
    """Whether `one` has all on that `other` has, and as far."""
    nothing = (-1, 0.0)
    return all(
        one.get(name, nothing)[0] >= segments and one.get(name, nothing)[1] >= duty
        for name, (segments, duty) in other.items()
    )


def _joined(one: Drives, other: Drives) -> Drives:
    return {name: max(one.get(name, other.get(name, (-1, 0.0))), other.get(name, (-1, 0.0)))
            for name in {**one, **other}}  # fmt: skip


def _common(one: Drives, other: Drives) -> Drives:
    return {name: min(one[name], other[name]) for name in one if name in other}
