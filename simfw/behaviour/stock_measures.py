"""Stock regions of a measure: something outside that is measured now and then, by thresholds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from simfw.behaviour.region import Condition, Drive, Levels, Region, State
from simfw.behaviour.stock_parts import Rows, Stock, region_of
from simfw.behaviour.tree import Constant, Expression, Flag, Not
from simfw.gadget.model import Measure

__all__ = ["levels_of", "measure_parts"]


def levels_of(measure: Measure) -> Levels:
    """The levels that the rows of a measure compare with, and the value at rest.

    Before anything has changed it, the value is one that `starts` fits.
    """
    out = tuple(threshold.value for threshold in measure.thresholds)
    # Sums such as 3.30 + 0.04 are rounded to where decimal text ends.
    back = tuple(round(value + measure.gap, 12) for value in out)
    passed = back[: measure.starts]
    rest = passed[-1] if passed else min([0.0, *(value - 1.0 for value in out[:1])])
    return Levels(
        thresholds=out, back=back, rest=rest, starts=measure.starts, unit=measure.unit,
        source=measure.source,
    )


def measure_parts(name: str, measure: Measure, enabled: Expression | None) -> Stock:
    """When a measure is taken (`NAME.look`), and how many thresholds it has passed (`NAME`).

    What is measured is asked by `NAME.reached.K`: whether it is at least level K of `Levels.all`.
    """
    counted = _counted(name, measure)
    return Stock(
        regions=(_look(name, measure, enabled), counted),
        conditions=(
            Condition(
                key=f"measures.{name}.enabled",
                when=Constant(True) if enabled is None else enabled,
                rises=f"{name}.enable",
                falls=f"{name}.disable",
            ),
        ),
        events=(f"{name}.up", f"{name}.down"),
        internal_events=tuple(f"{name}.{what}" for what in ("enable", "disable", "sampled")),
        raw_events=(),
        aliases={},
        shorthands={},
        flags=(),
        counts={name: {state.name: int(state.name.split(".")[1]) for state in counted.states}},
        measures={name: levels_of(measure)},
    )


def _look(name: str, measure: Measure, enabled: Expression | None) -> Region:
    key = f"measures.{name}"
    supply = {} if measure.supply is None else {f"{name}.supply": Drive(1.0)}
    rows = Rows((State(name="asleep"), State(name="settling", outputs=supply, awake=True)))
    rows.add(f"{key}.enabled", "asleep", "settling", on=f"{name}.enable",
             note="it is wanted: the first measurement begins")
    if measure.enabled is not None:
        rows.add(f"{key}.enabled", "settling", "asleep", on=f"{name}.disable",
                 note="it is not wanted any more: stop at once")
    rows.add(f"{key}.settle", "settling", "asleep", after=measure.settle.ns,
             emit=(f"{name}.sampled",), note="what is measured has settled: it is judged")
    rows.add(f"{key}.every", "asleep", "settling", when=enabled,
             after=measure.every.ns - measure.settle.ns, note="the next measurement begins")
    return region_of(f"{name}.look", "measures", rows)


def _counted(name: str, measure: Measure) -> Region:
    """Thresholds passed, and how many measurements in a row have said more, or less."""
    key, sampled, agree = f"measures.{name}", f"{name}.sampled", measure.agree
    count = len(measure.thresholds)
    up, down = (f"{name}.up",), (f"{name}.down",)

    def below(j: int) -> Expression:
        return Not(Flag(f"{name}.reached.{j}"))

    def above(j: int) -> Expression:
        return Flag(f"{name}.reached.{count + j}")

    def waiting(k: int, way: str) -> Sequence[str]:
        return [f"passed.{k}.{way}.{n}" for n in range(1, agree)]

    rows = Rows(
        State(name=state) for k in range(count + 1)
        for state in (f"passed.{k}", *(waiting(k, "down") if k else ()),
                      *(waiting(k, "up") if k < count else ()))
    )
    for k in range(count + 1):
        here = f"passed.{k}"
        falls = [here, *waiting(k, "down")] if k else []
        rises = [here, *waiting(k, "up")] if k < count else []
        others = dict.fromkeys((*falls, *rises))
        if k:
            last = falls[-1]
            for j in range(k):
                rows.add(f"{key}.thresholds", last, f"passed.{j}", on=sampled, when=below(j + 1),
                         emit=down, note=f"less: threshold {j + 1} is not reached")
            for n, state in enumerate(falls[:-1], start=1):
                again = [state, *(rises[1:] if n == 1 else ())]
                rows.add(f"{key}.agree", again, falls[n], on=sampled, when=below(k),
                         note=f"less, {n} of {agree}")
        if k < count:
            last = rises[-1]
            for j in range(count, k, -1):
                rows.add(f"{key}.hysteresis", last, f"passed.{j}", on=sampled, when=above(j),
                         emit=up, note=f"more: {j} passed")
            for n, state in enumerate(rises[:-1], start=1):
                again = [state, *(falls[1:] if n == 1 else ())]
                rows.add(f"{key}.agree", again, rises[n], on=sampled, when=above(k + 1),
                         note=f"more, {n} of {agree}")
        pending = [state for state in others if state != here]
        if pending:
            rows.add(f"{key}.agree", pending, here, on=sampled,
                     note="it stands as it did: the count starts anew")
            if measure.enabled is not None:
                rows.add(f"{key}.agree", pending, here, on=f"{name}.disable",
                         note="the count starts anew")
    # The checks tell of more than there are thresholds; names are known all the same.
    return replace(region_of(name, "measures", rows),
                   starts=f"passed.{min(measure.starts, count)}")
