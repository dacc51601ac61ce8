"""The regions as `transitions` machines: stepping by hand, asking what may happen, diagrams.

One `transitions.Machine` per region, built from its rows and nothing else (no automatic
transitions). `ReferenceStepper` runs whole instants through them, literally as the order inside an
instant is written down; it is slow and shares nothing with the compiled table, which is held equal
to it by a property test.

`transitions` is imported when the first machine is built.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from simfw.behaviour.region import Region, Row, System
from simfw.behaviour.tree import View, evaluate
from simfw.errors import EndlessInstant

if TYPE_CHECKING:
    from transitions import Machine

    from simfw.gadget.model import Gadget

__all__ = ["ReferenceStepper", "RegionMachine", "diagram", "machines", "row_label"]

EVENT_LIMIT = 10_000


class _Model:
    """What a machine moves: `transitions` puts the state and the triggers on it."""

    state: str


class RegionMachine:
    """One region, stepped by a `transitions.Machine`.

    Guards are read in `view`, which must be set before anything is asked. `remembered` is the
    resume point used last, None before any.
    """

    view: View

    def __init__(self, region: Region) -> None:
        from transitions import Machine

        self.region = region
        self.remembered: str | None = None
        self._fired: Row | None = None
        self._model = _Model()
        self._machine: Machine = Machine(
            model=self._model,
            states=[state.name for state in region.states],
            initial=region.starts,
            auto_transitions=False,
            ignore_invalid_triggers=True,  # that no row of the state hears an event is no error
        )
        for row in region.rows:
            self._add(row)
        self.restart()

    def _add(self, row: Row) -> None:
        guards: list[str | Callable[..., bool | None]] = []
        if (when := row.when) is not None:
            guards.append(lambda: evaluate(when, self.view))

        def add(to: str | None, *more: Callable[[], bool]) -> None:
            for source in row.sources:
                self._machine.add_transition(
                    _trigger(row), source, to, conditions=[*guards, *more],
                    after=lambda: self._note(row),
                )

        if row.to == "resume":
            for point in self.region.resume_points:
                add(point, self._resumes_at(point))
        else:
            add(None if row.to == "same" else row.to)

    def _resumes_at(self, point: str) -> Callable[[], bool]:
        return lambda: point == (self.remembered or self.region.resume_points[0])

    def _note(self, row: Row) -> None:
        self._fired = row
        if self.state in self.region.resume_points:
            self.remembered = self.state

    @property
    def machine(self) -> Machine:
        """The machine itself."""
        return self._machine

    @property
    def state(self) -> str:
        """The state that the region is in."""
        return self._model.state

    def restart(self) -> None:
        """Go to the start state and forget the resume point, as at power-up."""
        self._machine.set_state(self.region.starts)
        starts = self.region.starts
        self.remembered = starts if starts in self.region.resume_points else None

    def hear(self, event: str) -> Row | None:
        """Offer `event`; the row that fired, if any."""
        return self._pull(event)

    def expire(self, row: Row) -> Row | None:
        """The dwell of `row` has expired: fire it if its guard holds."""
        return self._pull(_trigger(row))

    def _pull(self, trigger: str) -> Row | None:
        self._fired = None
        # An event is offered to every region, also to those without a row for it.
        if trigger in self._machine.events and self._machine.get_transitions(trigger, self.state):
            self._model.trigger(trigger)  # type: ignore[attr-defined]  # put there by Machine
        return self._fired

    def may_hear(self, event: str) -> bool:
        """Whether some row would fire on `event` now; nothing moves."""
        return event in self._machine.events and bool(
            self._model.may_trigger(event)  # type: ignore[attr-defined]  # put there by Machine
        )

    def heard(self) -> tuple[str, ...]:
        """The events that rows of the present state are waiting for, whatever their guards."""
        return tuple(
            dict.fromkeys(
                row.on
                for row in self.region.rows
                if row.on is not None and self.state in row.sources
            )
        )


def _trigger(row: Row) -> str:
    """The event of a row; for a dwell a name that no event can have."""
    return row.on if row.on is not None else f"dwell: {row.key}"


@dataclass(frozen=True, slots=True)
class _Expired:
    """A dwell that has run out, of the stay (counted from power-up) in which it was running."""

    region: int
    stay: int
    row: Row


@dataclass(frozen=True, slots=True)
class _Running:
    due_ns: int
    order: tuple[int, int]
    expired: _Expired


class _WithStates:
    """A view whose states are those of the machines."""

    def __init__(self, machines: Mapping[str, RegionMachine], outside: View) -> None:
        self._machines = machines
        self._outside = outside

    def state(self, region: str) -> str:
        return self._machines[region].state

    def flag(self, name: str) -> bool:
        return self._outside.flag(name)

    def quantity(self, name: str) -> float:
        return self._outside.quantity(name)

    def happened(self, event: str) -> bool:
        return self._outside.happened(event)


class _Nothing:
    """The world of a gadget that nobody touches: no input is active, every level is 0."""

    def state(self, region: str) -> str:
        """Never asked: states are those of the machines."""
        raise AssertionError(region)

    def flag(self, _name: str) -> bool:
        """No input is active."""
        return False

    def quantity(self, _name: str) -> float:
        """Every level is 0."""
        return 0.0

    def happened(self, _event: str) -> bool:
        """Nothing has happened."""
        return False


def machines(gadget: Gadget, outside: View | None = None) -> dict[str, Machine]:
    """One `transitions.Machine` for each region of `gadget`, by name, in the order of an instant.

    A trigger is named after the event of its rows; a row that waits for a dwell has the trigger
    `dwell: KEY` with the key of the row, for whoever keeps the time. Guards ask `outside` for
    inputs and levels (by default nothing is active and every level is 0) and the other machines for
    their states. What a row emits is for the caller to offer on (`System.region(name).rows`). A
    machine has one model, which holds `state` and the triggers; there are no automatic transitions.
    Raises DescriptionError where the behaviour does not hold together.
    """
    from simfw.behaviour.build import build_system

    regions = {region.name: RegionMachine(region) for region in build_system(gadget).regions}
    view = _WithStates(regions, _Nothing() if outside is None else outside)
    for region in regions.values():
        region.view = view
    return {name: region.machine for name, region in regions.items()}


class ReferenceStepper:
    """Runs instants of a system through `transitions` machines.

    `reset`, then `run_instant` at the same time, powers the controller up. The views handed in
    supply inputs and numbers; states are those of the machines.
    """

    def __init__(self, system: System) -> None:
        self.system = system
        self.machines = tuple(RegionMachine(region) for region in system.regions)
        self._by_name = {machine.region.name: machine for machine in self.machines}
        self._stays = [0] * len(self.machines)
        self._running: list[_Running] = []
        self.conditions = [False] * len(system.conditions)
        self._queue: deque[str | _Expired] = deque()
        self.fired: list[Row] = []

    @property
    def states(self) -> dict[str, str]:
        """The state of every region."""
        return {name: machine.state for name, machine in self._by_name.items()}

    def view(self, outside: View) -> View:
        """`outside` with the states of the machines."""
        return _WithStates(self._by_name, outside)

    def may(self, event: str, view: View) -> tuple[str, ...]:
        """The regions in which some row would fire on `event` now; nothing moves."""
        self._show(view)
        return tuple(name for name, machine in self._by_name.items() if machine.may_hear(event))

    def next_due(self) -> int | None:
        """When the next dwell expires (ns), None when none is running."""
        return min((running.due_ns for running in self._running), default=None)

    def reset(self, now_ns: int) -> None:
        """Power returns: start states, dwells from now, conditions false, nothing remembered."""
        self._queue.clear()
        self._running.clear()
        self.conditions = [False] * len(self.system.conditions)
        for number, machine in enumerate(self.machines):
            machine.restart()
            self._start_dwells(number, now_ns)

    def run_instant(self, now_ns: int, raw_events: Iterable[str], view: View) -> list[str]:
        """Run everything that happens at `now_ns`; the public events in the order they happened.

        `raw_events` come before the zero dwells of the start states, left in the queue by `reset`.
        `fired` holds the rows that fired, in order. Raises EndlessInstant when the instant does not
        come to rest.
        """
        self._show(view)
        self.fired = []
        happened: list[str] = []
        queue = self._queue
        left = tuple(queue)
        queue.clear()
        queue.extend((*raw_events, *left, *self._expired(now_ns)))
        taken = 0
        while True:
            if not queue:
                queue.extend(self._changed_conditions())
            if not queue:
                return happened
            taken += 1
            if taken > EVENT_LIMIT:
                loop = tuple(dict.fromkeys(row.key for row in self.fired[-64:]))
                raise EndlessInstant(now_ns, EVENT_LIMIT, loop)
            occurrence = queue.popleft()
            if isinstance(occurrence, _Expired):
                if occurrence.stay == self._stays[occurrence.region]:
                    machine = self.machines[occurrence.region]
                    self._follow(occurrence.region, machine.expire(occurrence.row), now_ns)
            else:
                if occurrence in self.system.events:
                    happened.append(occurrence)
                for number, machine in enumerate(self.machines):
                    self._follow(number, machine.hear(occurrence), now_ns)

    def settle(self, now_ns: int, view: View) -> list[str]:
        """Run an instant in which nothing happens but what is due and what has changed."""
        return self.run_instant(now_ns, (), view)

    def _show(self, view: View) -> None:
        self._view = self.view(view)
        for machine in self.machines:
            machine.view = self._view

    def _expired(self, now_ns: int) -> list[_Expired]:
        due = [running for running in self._running if running.due_ns <= now_ns]
        self._running = [running for running in self._running if running.due_ns > now_ns]
        return [running.expired for running in sorted(due, key=lambda running: running.order)]

    def _follow(self, number: int, row: Row | None, now_ns: int) -> None:
        if row is None:
            return
        self.fired.append(row)
        self._queue.extend(row.emit)
        if row.to != "same":
            self._start_dwells(number, now_ns)

    def _start_dwells(self, number: int, now_ns: int) -> None:
        machine = self.machines[number]
        self._stays[number] += 1
        self._running = [
            running for running in self._running if running.expired.region != number
        ]
        for place, row in enumerate(machine.region.rows):
            if row.after_ns is None or machine.state not in row.sources:
                continue
            expired = _Expired(number, self._stays[number], row)
            if row.after_ns == 0:
                self._queue.append(expired)
            else:
                self._running.append(_Running(now_ns + row.after_ns, (number, place), expired))

    def _changed_conditions(self) -> list[str]:
        changed: list[str] = []
        for number, condition in enumerate(self.system.conditions):
            now = evaluate(condition.when, self._view)
            if now != self.conditions[number]:
                self.conditions[number] = now
                changed.append(condition.rises if now else condition.falls)
        return changed


# -- diagrams --------------------------------------------------------------------------------------


def row_label(row: Row, duration: Callable[[int], str]) -> str:
    """`event [guard] / emitted` or `after time [guard] / emitted`, for an arrow of a diagram."""
    label = row.on if row.on is not None else f"after {duration(row.after_ns or 0)}"
    if row.when_text:
        label += f" [{row.when_text}]"
    if row.emit:
        label += f" / {', '.join(row.emit)}"
    return label


def diagram(region: Region, duration: Callable[[int], str]) -> str:
    """A Mermaid state diagram of `region`, as text, drawn up by `transitions`.

    `duration` turns nanoseconds into text. A row to "resume" has an arrow to every resume point.
    """
    from transitions import State
    from transitions.extensions import GraphMachine

    class Labelled(State):
        def __init__(self, name: str, label: str, **options: Any) -> None:
            super().__init__(name, **options)
            self.label = label

    class Drawing(GraphMachine):
        state_cls = Labelled

    # A dot has a meaning of its own in a diagram's names, not in its labels.
    ids = {state.name: state.name.replace(".", "_") for state in region.states}
    machine = Drawing(
        model=_Model(),
        states=[{"name": ids[state.name], "label": state.name} for state in region.states],
        initial=ids[region.starts],
        auto_transitions=False,
        graph_engine="mermaid",
        title=f"title: {region.name}",
    )
    for row in region.rows:
        label = row_label(row, duration)
        for to in region.resume_points if row.to == "resume" else (row.to,):
            shown = f"{label} (resume)" if row.to == "resume" else label
            dest = None if row.to == "same" else ids[to]
            for source in row.sources:
                machine.add_transition(_trigger(row), ids[source], dest, label=shown)
    return str(getattr(machine.get_combined_graph(), "source"))  # noqa: B009
