"""One user with one set of parts: the years of their stimuli, and what came of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simfw.errors import EndlessInstant
from simfw.life import registers as k
from simfw.life.arithmetic import answers, between, next_mode, piece, turn_after
from simfw.life.columns import flat
from simfw.life.compiled import Loop
from simfw.life.drawing import POOL, STRETCH_DAYS, Drawer
from simfw.life.layout import Layout
from simfw.life.learning import Question
from simfw.life.parts import PartTables
from simfw.life.pending import turn
from simfw.life.store import Store
from simfw.stimuli.pattern import DAY_NS, YEAR_DAYS, Pattern

__all__ = ["LONGEST_YEARS", "Life", "UserLife", "live"]

LONGEST_YEARS = 100.0  # a gadget that nobody touches is watched for so long
LONGEST_WITH_HABITS = 20.0  # beyond the horizon, until the last span ends
ABANDONED_DAYS = 60  # empty for so long without being charged: nobody will
_REAL = frozenset({"f", "hand", "heat", "kept_mean", "pending_value"})


@dataclass(frozen=True, slots=True, kw_only=True)
class UserLife:
    """What became of one user.

    `days` is the mean time between charges (or until the protection opened), None where no such
    span ended; `spans` how many there were. `plugs` counts the charges after the first one, in
    `counted_ns`: from the first on, the whole time where there is none. `strength` is the user's
    against the pattern's. `spent_ns` is the time in each flat state before those of the
    clocks, `heat_c` the charge drawn in each quarter of an hour of the week.
    """

    user: int
    strength: float
    days: float | None
    spans: int
    plugs: int
    counted_ns: int
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
    writes: tuple[int, ...]
    heat_c: tuple[float, ...]


def _world(layout: Layout) -> k.World:
    regions, sensors = len(layout.regions), len(layout.sensors)
    states, habits = layout.offset[-1], len(layout.started)
    keeping = len(layout.keeping)
    lengths = {
        "i": k.REGISTERS, "f": k.REALS, "entered": regions, "due": regions,
        "lap_place": regions, "lap_left": regions,
        "wake_kind": regions, "wake_at": regions, "wake_seen": regions, "wake_lap": regions,
        "wake_lasts": regions, "wake_group": regions, "wake_member": regions,
        "wake_place": regions, "wake_due": regions,
        "wake_period": regions, "wake_changes": regions,
        "wake_time": (k.KEPT_COUNTS + 1) * k.MOST_WAKES,
        "kept_kind": k.KEPT_COUNTS * regions, "kept_at": k.KEPT_COUNTS * regions,
        "kept_count": k.KEPT_COUNTS * 3, "kept_mean": k.KEPT_COUNTS * 2,
        "cycle_due": regions, "cycle_spent": states, "cycle_writes": keeping,
        "cycle_slot": k.MOST_SEGMENTS, "cycle_ns": k.MOST_SEGMENTS, "cycle_wakes": k.MOST_SEGMENTS,
        "hand": sensors, "waving": sensors, "waves": sensors, "caught": sensors,
        "first": 0, "spent": states, "writes": keeping, "heat": k.QUARTERS,
        "pending_time": k.MOST_PENDING, "pending_kind": k.MOST_PENDING,
        "pending_target": k.MOST_PENDING, "pending_value": k.MOST_PENDING,
        "habit_true": habits, "habit_until": habits, "habit_again": habits, "habit_used": habits,
    }
    world = k.World(**{
        name: [0.0] * size if name in _REAL else [0] * size  # type: ignore[arg-type]
        for name, size in lengths.items()
    })
    world.hand[:] = [-1.0] * sensors
    world.due[:] = [k.NEVER] * regions
    world.wake_kind[:] = [-1] * regions
    world.kept_kind[:] = [k.NOTHING_KEPT] * len(world.kept_kind)
    i = world.i
    i[k.STAGE] = k.STAGE_INPUT
    for register in (k.FORCED, k.EMPTY_AT, k.LAST_OPEN, k.FULL_AT, k.CYCLE_COMB, k.CYCLE_SLOT):
        i[register] = -1
    return world


class Life:
    """One user's life while it goes on.

    What comes before the first charge by somebody depends on the charge of the start: it is no
    span, unless `first` says that it counts.
    """

    def __init__(
        self, pattern: Pattern, store: Store, parts: PartTables, seed: int, user: int, *,
        first: bool = False,
    ) -> None:
        self.pattern, self.store, self.parts = pattern, store, parts
        self.layout = store.layout
        self.drawer = Drawer(pattern, seed, user, self.layout, parts.levels)
        self.loop = Loop(store.fast, _world(self.layout))
        world = self.world
        world.f[k.CHARGE] = pattern.charge
        counter = parts.circuit.counter
        world.f[k.COUNTED] = 0.0 if counter is None else counter.counted_at(pattern.charge)
        world.i[k.HORIZON] = pattern.horizon_ns
        world.i[k.ENDS_EMPTY] = 0 if pattern.plugs else 1
        world.i[k.SPAN_START] = -1 if pattern.plugs and not first else 0
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
        comb = self.store.combs[int(i[k.COMB])]
        if comb.usb or not comb.protected:
            return False
        if i[k.NOW] - i[k.LAST_OPEN] < ABANDONED_DAYS * DAY_NS or i[k.NOW] < i[k.HORIZON]:
            return False
        start = int(i[k.SPAN_START])
        if start < 0 and i[k.PLUGS] == 0 and self.pattern.charge == 1.0:
            start = 0  # never charged, and from a full cell: the whole of what it holds
        if start >= 0:
            world.f[k.SPAN_SUM] += (i[k.LAST_OPEN] - start) / DAY_NS
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
        order = np.lexsort((turn(kinds, targets, values), times))
        times = times[order]
        due = int(np.searchsorted(times, until, side="left"))
        away = self.drawer.away(number * STRETCH_DAYS, STRETCH_DAYS)
        first = [0] * len(habits)
        first[:offset] = self._carried_first if offset else []
        if first or len(self.world.first):
            self.loop.take_world(self.world._replace(first=first))
        fast = self.store.fast
        stimuli = k.Stimuli(
            counts=flat([len(times), len(habits), len(away)], fast),
            time=flat(times, fast), kind=flat(kinds[order], fast),
            target=flat(targets[order], fast), value=flat(values[order], fast, real=True),
            occasion=flat(occasion[order], fast), habit=flat(habits, fast),
            away_from=flat((start for start, _ in away), fast),
            away_to=flat((stop for _, stop in away), fast),
            **self._pool_columns(),
        )
        self._habits = habits
        for register in (k.NEXT, k.GATED, k.HOLIDAY):
            self.world.i[register] = 0
        return stimuli, due

    def _pool_columns(self) -> dict[str, Any]:
        fast = self.store.fast
        start: list[int] = []
        end: list[int] = []
        every: list[tuple[int, int, int, float]] = []
        offset = []
        for pool in self._pools:
            offset.append(len(start))
            for occasion in pool:
                start.append(len(every))
                every += occasion
                end.append(len(every))
        columns: Sequence[Any] = list(zip(*every, strict=True)) if every else [()] * 4
        return {
            "pool_start": flat(start, fast), "pool_end": flat(end, fast),
            "pool_time": flat(columns[0], fast), "pool_kind": flat(columns[1], fast),
            "pool_target": flat(columns[2], fast),
            "pool_value": flat(columns[3], fast, real=True),
            "pool_offset": flat(offset, fast), "pool_count": flat([POOL] * len(offset), fast),
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
        """Go on until a time (ns) or the end of the last span; `registers.DONE` or `FINISHED`."""
        while True:
            self._tables, self._parts = self.store.tables(), self.parts.parts()
            status = self.loop.run(self._tables, self._parts, stimuli, until)
            if status in (k.DONE, k.FINISHED):
                return status
            if status == k.MISS_POOL:
                stimuli = self._refill(stimuli)
            else:
                self._learn(status)

    def _learn(self, status: int) -> None:
        """Work out what has been met for the first time."""
        i, store, parts = self.world.i, self.store, self.parts
        what = int(i[k.MISS_WHAT])
        if status == k.MISS_LOADS:
            parts.add_loads(what)
        elif status == k.MISS_REST:
            store.add_rest(what, self._answer)
        elif status == k.MISS_BARE:
            store.add_bare(what, self._answer)
        elif status == k.MISS_PHASE:
            store.add_phase(what, int(i[k.INFO]), int(i[k.MISS_CODE]), self._answer)
        elif status == k.MISS_MIX:
            parts.add_mix(what)
        elif status == k.MISS_CYCLE:
            count = int(i[k.CYCLE_COUNT])
            world = self.world
            i[k.CYCLE_SLOT] = parts.add_cycle(
                [int(slot) for slot in world.cycle_slot[:count]],
                [int(lasts) for lasts in world.cycle_ns[:count]],
            )
        elif status == k.MISS_PLACE:
            store.add_place(int(i[k.COMB]), what, int(i[k.MISS_CODE]))
        else:
            try:
                store.add_step(int(i[k.COMB]), int(i[k.MISS_CODE]), self._answer)
            except EndlessInstant as found:
                raise EndlessInstant(
                    int(i[k.NOW]), found.limit, found.loop, found.hint
                ) from None

    def _answer(self, question: Question) -> bool:
        """What the hot loop would say to a question now."""
        kind, loads, what = question
        charge = float(self.world.f[k.CHARGE])
        parts = self.parts
        if kind == k.ASK_CHARGE:
            return charge < self.layout.charge_levels[what]
        if kind == k.ASK_COUNT:
            return float(self.world.f[k.COUNTED]) < self.layout.count_levels[what]
        if kind == k.ASK_FIRST:
            return float(parts.parts().real[k.FIRST_COUNT]) < self.layout.count_levels[what]
        if kind == k.ASK_FULL:
            return charge >= 1.0
        if kind == k.ASK_RESTART:
            return 0.0 < charge < parts.feeds_below and charge >= parts.restart_at
        hand = float(self.world.hand[what]) if kind == k.ASK_ECHO else 0.0
        if hand < 0.0:
            return False
        slot = parts.add_loads(loads)
        tables = parts.parts()
        if kind in (k.ASK_LEVEL, k.ASK_OPEN, k.ASK_LOW):
            place = k.OPENING if kind == k.ASK_OPEN else k.PRECHARGING
            place = k.FIRST_LEVEL + what if kind == k.ASK_LEVEL else place
            place += slot * (k.FIRST_LEVEL + len(self.layout.levels))
            turn = turn_after(tables.turn_start, tables.turn_at, place, charge)
            return bool((turn - tables.turn_start[place]) % 2 == 0)
        if kind == k.ASK_ECHO:
            node = piece(tables.grid, tables.bucket, charge)
            base = slot * len(parts.grid)
            volts = between(tables.grid, tables.volts, base, node, charge)
            return bool(answers(tables.range_m, what, hand, volts))
        mode = next_mode(tables.step_start, tables.step_rising, tables.step_at,
                         tables.step_until, tables.step_to, slot, charge)
        return mode == what if what >= 0 else mode >= 0

    def _refill(self, stimuli: k.Stimuli) -> k.Stimuli:
        world = self.world
        which = int(world.i[k.MISS_WHAT])
        self._pool_number[which] += 1
        self._pools[which] = self.drawer.pool(
            self.layout.started[which], self._pool_number[which]
        )
        world.habit_used[which] = 0
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
            plugs=max(int(i[k.PLUGS]) - 1, 0),
            counted_ns=int(i[k.NOW] - i[k.FIRST_PLUG]),
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
            spent_ns=tuple(int(n) for n in world.spent[:self.layout.before_clocks]),
            writes=tuple(int(n) for n in world.writes),
            heat_c=tuple(float(c) for c in world.heat),
        )


def live(
    pattern: Pattern, store: Store, parts: PartTables, seed: int, user: int, *,
    first: bool = False,
) -> UserLife:
    """The life of one user's gadget, from `pattern.charge` on; `first` as in `Life`.

    Raises EndlessInstant when an instant does not come to rest.
    """
    return Life(pattern, store, parts, seed, user, first=first).whole()
