"""One user with one set of parts: the years of their stimuli, and what came of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simfw.errors import EndlessInstant
from simfw.life import registers as k
from simfw.life.compiled import Loop
from simfw.life.drawing import POOL, STRETCH_DAYS, Drawer
from simfw.life.layout import Layout
from simfw.life.lookup import answers, flag, loads_of, volts_at
from simfw.life.parts import PartTables
from simfw.life.resting import Moment
from simfw.life.store import Store
from simfw.stimuli.pattern import DAY_NS, YEAR_DAYS, Pattern

__all__ = ["LONGEST_YEARS", "Life", "UserLife", "live"]

LONGEST_YEARS = 100.0  # a gadget that nobody touches is watched for so long
LONGEST_WITH_HABITS = 20.0  # beyond the horizon, until the last span ends
ABANDONED_DAYS = 60  # empty for so long without being charged: nobody will


@dataclass(frozen=True, slots=True, kw_only=True)
class UserLife:
    """What became of one user.

    `days` is the mean time between charges (or until the protection opened), None where no such
    span ended; `spans` how many there were. `strength` is the user's against the pattern's.
    `spent_ns` is the time in each flat state, `heat_c` the charge drawn in each quarter of an hour
    of the week.
    """

    user: int
    strength: float
    days: float | None
    spans: int
    plugs: int
    total_ns: int
    used_c: float
    waves: int
    caught: int
    asked: int
    refused: int
    emptied: int
    dead_ns: int
    charging_ns: int
    end_charge: float
    spent_ns: tuple[int, ...]
    heat_c: tuple[float, ...]


def _world(layout: Layout) -> k.World:
    regions, sensors = len(layout.regions), len(layout.sensors)
    states, habits = layout.offset[-1], len(layout.started)
    conditions = len(layout.system.conditions)
    lengths = {
        "i": k.REGISTERS, "f": 8, "state": regions, "entered": regions, "following": regions,
        "due": regions, "serial": regions, "memory": regions, "condition": conditions,
        "closed": len(layout.buttons), "hand": sensors, "waving": sensors, "waves": sensors,
        "caught": sensors, "queue": k.QUEUE, "queue_region": k.QUEUE, "queue_serial": k.QUEUE,
        "stack": 2 * layout.model.size[k.ROOM], "raw": 96, "event": 256,
        "saved": 5 * regions + conditions + 120, "missed": regions + 2,
        "first": 0, "spent": states, "heat": k.QUARTERS,
        "pending_time": 256, "pending_kind": 256, "pending_target": 256, "pending_value": 256,
        "habit_true": habits, "habit_until": habits, "habit_again": habits, "habit_used": habits,
    }
    reals = {"f", "hand", "heat", "pending_value"}
    world = k.World(**{
        name: [0.0] * size if name in reals else [0] * size  # type: ignore[arg-type]
        for name, size in lengths.items()
    })
    for n in range(sensors):
        world.hand[n] = -1.0
    for n in range(regions):
        world.memory[n] = -1
    i = world.i
    i[k.STAGE], i[k.ALIVE], i[k.POWER_UP] = k.STAGE_INPUT, 1, 1
    i[k.FORCED] = i[k.EMPTY_AT] = i[k.LAST_OPEN] = i[k.FULL_AT] = -1
    for n, start in enumerate(layout.model.starts):
        world.state[n] = start
        world.due[n] = k.NEVER
    return world


class Life:
    """One user's life while it goes on."""

    def __init__(
        self, pattern: Pattern, store: Store, parts: PartTables, seed: int, user: int
    ) -> None:
        self.pattern, self.store, self.parts = pattern, store, parts
        self.layout = store.layout
        self.drawer = Drawer(pattern, seed, user, self.layout.buttons, self.layout.sensors)
        self.loop = Loop(store.fast, _world(self.layout))
        world = self.world
        world.f[k.CHARGE] = pattern.charge
        world.i[k.HORIZON] = pattern.horizon_ns
        world.i[k.ENDS_EMPTY] = 0 if pattern.plugs else 1
        self.user = user
        self._carried: list[tuple[int, int, int, float, int]] = []
        self._carried_habits: list[int] = []
        self._pool_number = [0] * len(self.layout.started)
        self._pools: list[list[list[tuple[int, int, int, float]]]] = [
            self.drawer.pool(habit, 0) for habit in self.layout.started
        ]

    @property
    def world(self) -> k.World:
        """The state of the user's gadget."""
        return self.loop.world

    def whole(self) -> UserLife:
        """Live until the horizon has passed and the last span has ended."""
        pattern = self.pattern
        years = LONGEST_WITH_HABITS if pattern.habits else LONGEST_YEARS
        last = pattern.horizon_ns + round(years * YEAR_DAYS) * DAY_NS
        number = 0
        while True:
            until = (number + 1) * STRETCH_DAYS * DAY_NS
            stimuli, left = self.stimuli(number, until)
            status = self.go(stimuli, until)
            if status == k.FINISHED or until > last or self._abandoned():
                return self._result()
            self._carry(stimuli, left)
            number += 1

    def _abandoned(self) -> bool:
        """Whether the gadget has lain empty for so long that nobody will charge it."""
        world = self.world
        i = world.i
        if i[k.PROTECTED] == 0 or i[k.SPAN_START] < 0:
            return False
        if i[k.NOW] - i[k.LAST_OPEN] < ABANDONED_DAYS * DAY_NS or i[k.NOW] < i[k.HORIZON]:
            return False
        world.f[k.SPAN_SUM] += (i[k.LAST_OPEN] - i[k.SPAN_START]) / DAY_NS
        i[k.SPANS] += 1
        return True

    # -- stimuli ---------------------------------------------------------------------------------

    def stimuli(self, number: int, until: int) -> tuple[k.Stimuli, int]:
        """The stimuli of a stretch, with those carried over; how many of them are due in it."""
        drawn = self.drawer.stretch(number)
        carried = self._carried
        offset = len(self._carried_habits)
        habits = [*self._carried_habits, *drawn.habit_of_occasion]
        columns = list(zip(*carried, strict=True)) if carried else [()] * 5
        times = np.concatenate([np.array(columns[0], dtype=np.int64), drawn.time])
        kinds = np.concatenate([np.array(columns[1], dtype=np.int64), drawn.kind])
        targets = np.concatenate([np.array(columns[2], dtype=np.int64), drawn.target])
        values = np.concatenate([np.array(columns[3], dtype=np.float64), drawn.value])
        shifted = np.where(drawn.occasion >= 0, drawn.occasion + offset, -1)
        occasion = np.concatenate([np.array(columns[4], dtype=np.int64), shifted])
        order = np.argsort(times, kind="stable")
        times = times[order]
        due = int(np.searchsorted(times, until, side="left"))
        away = self.drawer.away(number * STRETCH_DAYS, STRETCH_DAYS)
        first = [0] * len(habits)
        first[:offset] = self._carried_first if offset else []
        if first or len(self.world.first):
            self.loop.take_world(self.world._replace(first=first))
        stimuli = k.Stimuli(
            time=self._form(times), kind=self._form(kinds[order]),
            target=self._form(targets[order]), value=self._form(values[order]),
            occasion=self._form(occasion[order]),
            program=[self.layout.program_of(habit) for habit in habits],
            away_from=[start for start, _ in away], away_to=[stop for _, stop in away],
            **self._pool_columns(),
        )
        self._habits = habits
        self.world.i[k.NEXT] = 0
        self.world.i[k.HOLIDAY] = 0
        return stimuli, due

    def _form(self, values: Any) -> Any:
        """As a list where the loop runs as it stands."""
        return values if self.store.fast else values.tolist()

    def _pool_columns(self) -> dict[str, Any]:
        start: list[int] = []
        end: list[int] = []
        flat: list[tuple[int, int, int, float]] = []
        offset = []
        for pool in self._pools:
            offset.append(len(start))
            for occasion in pool:
                start.append(len(flat))
                flat += occasion
                end.append(len(flat))
        columns: Sequence[Any] = list(zip(*flat, strict=True)) if flat else [()] * 4
        return {
            "pool_start": start, "pool_end": end, "pool_time": list(columns[0]),
            "pool_kind": list(columns[1]), "pool_target": list(columns[2]),
            "pool_value": list(columns[3]), "pool_offset": offset,
            "pool_count": [POOL] * len(self._pools),
        }

    _carried_first: list[int]
    _habits: list[int]

    def _carry(self, stimuli: k.Stimuli, due: int) -> None:
        """Keep what is due after this stretch for the next ones."""
        carried = []
        kept: dict[int, int] = {}
        for n in range(due, len(stimuli.time)):
            occasion = int(stimuli.occasion[n])
            if occasion >= 0:
                occasion = kept.setdefault(occasion, len(kept))
            carried.append((int(stimuli.time[n]), int(stimuli.kind[n]), int(stimuli.target[n]),
                            float(stimuli.value[n]), occasion))
        self._carried = carried
        self._carried_habits = [self._habits[old] for old in kept]
        self._carried_first = [int(self.world.first[old]) for old in kept]

    # -- going on --------------------------------------------------------------------------------

    def go(self, stimuli: k.Stimuli, until: int) -> int:
        """Go on until a time (ns) or the end of the last span; `kernel.DONE` or `FINISHED`."""
        store = self.store
        tables, parts = store.tables(), self.parts.parts()
        self.loop.bind(store.model, tables, parts, stimuli)
        while True:
            status = self.loop.run(until)
            if status in (k.DONE, k.FINISHED):
                return status
            if status == k.MISS_POOL:
                stimuli = self._refill(stimuli)
            else:
                self._learn(status, tables, parts)
                tables, parts = store.tables(), self.parts.parts()
            self.loop.bind(store.model, tables, parts, stimuli)

    def _learn(self, status: int, tables: k.Tables, parts: k.Parts) -> None:
        """Work out what has been met for the first time."""
        i, store = self.world.i, self.store
        what, key = int(i[k.MISS_WHAT]), int(i[k.MISS_KEY])
        i[k.MISS] = 0
        if status == k.MISS_PHASE:
            moment = self._missed()
            store.loads_of(moment, moment.states)
        elif status == k.MISS_LOADS:
            self.parts.add_loads(what)
        elif status == k.MISS_REST:
            number, major = store.add_rest(key, self._moment(tables, parts))
            self.parts.add_loads(major)
            self._learn_band(number, self.parts.band_of(major, float(self.world.f[k.CHARGE])))
        elif status == k.MISS_BAND:
            self._learn_band(what, key)
        elif status == k.MISS_MIX:
            self.parts.add_mix(what)
        else:
            raise EndlessInstant(int(i[k.NOW]), k.MOST_EVENTS, self._chasing())

    def _learn_band(self, number: int, band: int) -> None:
        mix = self.store.add_band(number, band)
        if not self.parts.has_mix(mix):
            self.parts.add_mix(mix)

    def _chasing(self) -> tuple[str, ...]:
        """The events at the end of a queue that does not run empty."""
        world = self.world
        tail = int(world.i[k.TAIL])
        recent = [int(world.queue[n]) for n in range(max(0, tail - 64), tail)]
        names = self.layout.event_names
        rows = self.layout.row_list
        return tuple(dict.fromkeys(
            names[item] if item >= 0 else rows[-1 - item].key for item in recent
        ))

    def _missed(self) -> Moment:
        """The combination whose load set was asked for, perhaps in the middle of an instant."""
        world, model, layout = self.world, self.store.model, self.layout
        regions = len(layout.regions)
        mode, protected = int(world.missed[regions]), bool(world.missed[regions + 1])
        now = int(world.i[k.MODE])
        world.i[k.MODE] = mode
        flags = tuple(bool(flag(model, world, n)) for n in range(3 + len(layout.buttons)))
        world.i[k.MODE] = now
        return Moment(
            states=tuple(int(state) for state in world.missed[:regions]),
            following=(False,) * regions,
            flags=flags,
            echoes=(False,) * len(layout.sensors),
            mode=mode,
            protected=protected,
            warmth=int(world.i[k.WARMTH]),
        )

    def _moment(self, tables: k.Tables, parts: k.Parts) -> Moment:
        """The settled combination of now; its load set is known."""
        world, layout = self.world, self.layout
        charge = float(world.f[k.CHARGE])
        slot = loads_of(self.store.model, tables, parts, world)
        volts = volts_at(parts, slot, charge)
        band = self.parts.band_of(int(world.i[k.LOADS]), charge)
        model = self.store.model
        return Moment(
            states=tuple(int(state) for state in world.state),
            following=tuple(bool(n > 0) for n in world.following),
            flags=tuple(bool(flag(model, world, n)) for n in range(3 + len(layout.buttons))),
            echoes=tuple(
                bool(world.hand[n] >= 0 and answers(parts, n, world.hand[n], volts))
                for n in range(len(layout.sensors))
            ),
            mode=int(world.i[k.MODE]),
            protected=bool(world.i[k.PROTECTED]),
            warmth=int(world.i[k.WARMTH]),
            band=band,
        )

    def _refill(self, stimuli: k.Stimuli) -> k.Stimuli:
        world = self.world
        which = int(world.i[k.MISS_WHAT])
        self._pool_number[which] += 1
        self._pools[which] = self.drawer.pool(
            self.layout.started[which], self._pool_number[which]
        )
        world.habit_used[which] = 0
        world.i[k.MISS] = 0
        return stimuli._replace(**self._pool_columns())

    def _result(self) -> UserLife:
        world = self.world
        i, f = world.i, world.f
        spans = int(i[k.SPANS])
        return UserLife(
            user=self.user,
            strength=self.drawer.strength(),
            days=float(f[k.SPAN_SUM]) / spans if spans else None,
            spans=spans,
            plugs=int(i[k.PLUGS]),
            total_ns=int(i[k.NOW]),
            used_c=float(f[k.USED]),
            waves=int(sum(world.waves)),
            caught=int(sum(world.caught)),
            asked=int(i[k.ASKED]),
            refused=int(i[k.REFUSED]),
            emptied=int(i[k.EMPTIED]),
            dead_ns=int(i[k.DEAD_NS]),
            charging_ns=int(i[k.CHARGING]),
            end_charge=float(f[k.CHARGE]),
            spent_ns=tuple(int(n) for n in world.spent),
            heat_c=tuple(float(c) for c in world.heat),
        )


def live(pattern: Pattern, store: Store, parts: PartTables, seed: int, user: int) -> UserLife:
    """The life of one user's gadget, from `pattern.charge` on.

    Raises EndlessInstant when an instant does not come to rest.
    """
    return Life(pattern, store, parts, seed, user).whole()
