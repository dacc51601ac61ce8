"""What the rows make of a combination: worked out by the simulator's own stepper, once each.

A combination holds everything discrete. What it meets - a dwell that expires, a button that closes,
the charge at a mark - is a code. How it goes on from there is decided by a few questions about the
cell and the hands; they are kept in the order in which they were asked, as a tree, and what comes
of it at the leaves. So the hot loop never runs a row.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from simfw.behaviour.table import IDLE, Stepper
from simfw.circuit.circuit import ChargerMode
from simfw.engine.supply import (
    CHATTER,
    Supply,
    met_at_power_up,
    next_supply,
    restless,
    unsupplied,
)
from simfw.errors import EndlessInstant
from simfw.life import registers as k
from simfw.life.hold_up import latch_of, state_of
from simfw.life.layout import MODES, Layout
from simfw.life.resting import Moment

__all__ = ["Answer", "Asked", "Comb", "Learner", "Question", "Step"]

Question = tuple[int, int, int]
"""Kind, load set, number: see `registers.ASK_LEVEL` and those that follow."""
Asked = tuple[tuple[Question, bool], ...]
"""Questions with what was answered, in the order in which they were asked."""
Answer = Callable[[Question], bool]
LoadsOf = Callable[[Moment, tuple[int, ...]], int]
LevelOf = Callable[[int, int], float]

_BEFORE = -1  # when all states were entered: before the instant at 0 that is worked out


@dataclass(frozen=True, slots=True, kw_only=True)
class Comb:
    """A combination: everything that stands still but for times, charge and distances.

    `waiting[r]` tells how many dwells of region r's stay have expired. `stood` holds the state that
    is kept of each region of `Layout.outlasted`. The last five belong to an instant that is about
    to be worked out: raw events, regions whose dwell has expired, the mark that the charge has
    reached, whether the controller powers up, and whether the temperature or USB has changed.
    """

    states: tuple[int, ...]
    waiting: tuple[int, ...]
    memory: tuple[int, ...]
    conditions: tuple[bool, ...]
    closed: tuple[bool, ...]
    reached: tuple[int, ...] = ()  # the code of each measure
    stood: tuple[int, ...] = ()
    usb: bool = False
    mode: int = 0
    protected: bool = False
    cut: bool = False
    fed: bool = False
    released: bool = False
    warmth: int = 0
    raws: tuple[str, ...] = ()
    dues: tuple[int, ...] = ()
    forced: int = -1
    power_up: bool = False
    turned: bool = False

    @property
    def dead(self) -> bool:
        """Whether the controller has no supply."""
        return unsupplied(protected=self.protected, fed=self.fed, cut=self.cut,
                          released=self.released)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What comes of one step: the combination after it, and what the hot loop has to do.

    `bits` as in `registers.WAKES`, with those of the regions that wake. `opened`: how often the
    protection opened. `waves`, `writes`, `habits`: bits of sensors that noticed a hand, of
    regions of which something else is kept now, and of started habits whose condition holds. `sets`
    holds (region, whether it entered its state, flat dwell group that comes next or -1).
    """

    comb: Comb
    asked: Asked
    bits: int = 0
    opened: int = 0
    waves: int = 0
    writes: int = 0
    habits: int = 0
    sets: tuple[tuple[int, int, int], ...] = ()


class Learner:
    """Runs steps of combinations on the simulator's stepper and notes what was asked.

    `loads_of` numbers the load set of states at a moment, `level_of` tells the level of an output
    in a load set.
    """

    def __init__(self, layout: Layout, loads_of: LoadsOf, level_of: LevelOf) -> None:
        self.layout = layout
        self._path = layout.gadget.power_path
        self._loads_of = loads_of
        self._level_of = level_of
        self.stepper = Stepper(layout.system, self)
        self.stepper.on_wake, self.stepper.wakes_always = self._wakes, layout.wakes_always
        self._wakers = 0
        self._happened: frozenset[str] = frozenset()
        bind = self.stepper.bind
        self._habits = {
            number: bind(condition, lambda event: event in self._happened)
            for number, condition in layout.habit_conditions.items()
        }
        self._waves = [f"{name}.wave" for name in layout.sensors]
        self._edges = [f"{name}.edge" for name in layout.buttons]
        self._comb = self.start()
        self._latch = latch_of(0, 0, due=False)
        self._answer: Answer = bool
        self._asked: dict[Question, bool] = {}
        self._forgot = False  # whether the gauge has forgotten its count in this instant

    def start(self) -> Comb:
        """The combination in which a user's gadget begins: powering up."""
        layout = self.layout
        return Comb(
            states=tuple(layout.starts),
            waiting=(0,) * len(layout.regions),
            memory=(-1,) * len(layout.regions),
            conditions=(False,) * len(layout.system.conditions),
            closed=tuple(layout.contacts.values()),
            reached=tuple(levels.code(levels.rest) for levels in layout.levels_of),
            stood=tuple(layout.starts[r] for r in layout.outlasted),
            power_up=True,
        )

    def moment(self, comb: Comb, echoes: tuple[bool, ...] = ()) -> Moment:
        """A combination as `resting` looks at it."""
        low, high = self._status(comb.mode, comb.usb)
        return Moment(
            states=comb.states,
            following=tuple(n > 0 for n in comb.waiting),
            flags=(comb.usb, low, high, *comb.closed),
            reached=comb.reached,
            echoes=echoes or (False,) * len(self.layout.sensors),
            mode=comb.mode,
            protected=comb.protected,
            cut=comb.cut,
            fed=comb.fed,
            released=comb.released,
            warmth=comb.warmth,
        )

    def is_awake(self, states: tuple[int, ...]) -> bool:
        """Whether a state keeps the controller awake."""
        return any(table[n] for table, n in zip(self.stepper.awake, states, strict=True))

    def _status(self, mode: int, usb: bool) -> tuple[bool, bool]:
        charger = self.layout.charger
        if charger is None:
            return False, False
        return charger.reads_low(MODES[mode], usb), charger.reads_high(MODES[mode], usb)

    # -- what expressions ask: the stepper's view ------------------------------------------------

    def flag(self, name: str) -> bool:
        """The two-valued input `name` now."""
        comb, layout = self._comb, self.layout
        what, _, kind = name.rpartition(".")
        if kind == "echo":
            return self.ask(k.ASK_ECHO, self.loads(), layout.sensors.index(what))
        if name == "usb":
            return comb.usb
        if what == "status":
            return self._status(comb.mode, comb.usb)[kind == "high"]
        if (measure := name.partition(".")[0]) in layout.measures:
            place = layout.measures.index(measure)
            return layout.levels_of[place].told(comb.reached[place], int(kind))
        return comb.closed[layout.buttons.index(what)]

    def quantity(self, name: str) -> float:
        """The level of an output now."""
        return self._level_of(self.loads(), self.layout.outputs.index(name))

    def below(self, quantity: str, level: float) -> bool:
        """Whether a quantity of `CONTINUOUS` is below `level` now."""
        layout = self.layout
        if quantity == "gauge.counted":
            kind = k.ASK_FIRST if self._forgot else k.ASK_COUNT
            return self.ask(kind, 0, layout.count_levels.index(level))
        if quantity == "cell.charge":
            return self.ask(k.ASK_CHARGE, 0, layout.charge_levels.index(level))
        return self.ask(k.ASK_LEVEL, self.loads(), layout.levels.index((quantity, level)))

    def loads(self) -> int:
        """The load set of this moment."""
        return self._loads_of(self.moment(self._comb), tuple(self.stepper.states))

    def ask(self, kind: int, loads: int, what: int) -> bool:
        """What is answered to a question; noted."""
        question = (kind, loads, what)
        if question not in self._asked:
            self._asked[question] = self._answer(question)
        return self._asked[question]

    # -- steps -----------------------------------------------------------------------------------

    def step(self, comb: Comb, code: int, answer: Answer) -> Step:
        """Work out what comes of `comb` meeting `code`.

        Raises EndlessInstant (at time 0) when it does not come to rest.
        """
        size = self.layout.size
        self._comb, self._answer, self._asked = comb, answer, {}
        self._forgot = False
        self._place(comb)
        if code < size[k.FORCE]:
            regions = len(self.layout.regions)
            dues = comb.dues
            if code != k.SETTLE:
                dues = (*dues, (code - k.EXPIRE) % regions)
            if code >= k.EXPIRE + regions:
                return self._plain(replace(comb, dues=dues))
            return self._instant(comb, dues)
        if code < size[k.GATE]:
            return self._plain(replace(comb, forced=code - size[k.FORCE]))
        if code < size[k.TOUCH]:
            self._happened = frozenset()
            held = self._habits[code - size[k.GATE]]()
            return self._plain(comb, k.HOLDS if held else 0)
        if code < size[k.SUPPLY]:
            button, value = divmod(code - size[k.TOUCH], 2)
            return self._plain(self._touch(comb, button, bool(value)))
        if code < size[k.WARM]:
            return self._supply(comb, bool(code - size[k.SUPPLY]))
        if code < size[k.MEASURED]:
            return self._plain(replace(comb, warmth=code - size[k.WARM], turned=True))
        return self._plain(self._measure(comb, code - size[k.MEASURED]))

    def _plain(self, comb: Comb, bits: int = 0) -> Step:
        return Step(comb=comb, asked=tuple(self._asked.items()), bits=bits)

    def _place(self, comb: Comb, dues: tuple[int, ...] = ()) -> None:
        """Put the stepper where the combination has it, at time 0."""
        count = len(comb.states)
        # No row is run where a hold-up ends: the latch has the say there.
        self.stepper.place(
            0, comb.states, range(count), (-_BEFORE,) * count, comb.waiting,
            [0 if n in dues and n != self.layout.hold_up else IDLE for n in range(count)],
            comb.memory, comb.conditions,
        )
        # What stands here has settled before: it is kept where the supply goes in this instant.
        kept = self._kept(comb)
        self.stepper.stand_again((r, kept[r], comb.memory[r]) for r in self.layout.keeping)
        self.stepper.settled(0)

    def _kept(self, comb: Comb) -> list[int]:
        """The states of a combination; of regions of `Layout.outlasted` those that are kept."""
        states = list(comb.states)
        for r, state in zip(self.layout.outlasted, comb.stood, strict=True):
            states[r] = state
        return states

    def _touch(self, comb: Comb, button: int, closed: bool) -> Comb:
        if comb.closed[button] == closed:
            return comb
        changed = (*comb.closed[:button], closed, *comb.closed[button + 1 :])
        return replace(comb, closed=changed,
                       raws=(*comb.raws, *self._known(self._edges[button])))

    def _measure(self, comb: Comb, number: int) -> Comb:
        """What is measured changes."""
        starts = self.layout.code_start
        place = next(n for n in range(len(starts) - 1) if number < starts[n + 1])
        code = number - starts[place]
        return replace(comb, reached=(*comb.reached[:place], code, *comb.reached[place + 1 :]))

    def _supply(self, comb: Comb, present: bool) -> Step:
        """USB comes or goes."""
        if comb.usb == present:
            return self._plain(comb)
        raws = (*comb.raws, *self._known("usb.edge"))
        return self._plain(replace(comb, usb=present, raws=raws, turned=True))

    def _supply_of(self, comb: Comb) -> Supply:
        last = comb.closed[len(comb.closed) - len(self.layout.in_supply) :]
        return Supply(usb=comb.usb, mode=MODES[comb.mode], protected=comb.protected,
                      temperature_c=self.layout.warmths_c[comb.warmth],
                      opened=not all(last), cut=comb.cut, path=self._path,
                      released=comb.released)

    def _with(self, comb: Comb, supply: Supply) -> Comb:
        return replace(comb, usb=supply.usb, mode=MODES.index(supply.mode),
                       protected=supply.protected, cut=supply.cut, fed=supply.fed,
                       released=supply.released)

    def _known(self, event: str) -> tuple[str, ...]:
        return (event,) if event in self.stepper.event_ids else ()

    def _edge(self, before: Comb, after: Comb) -> tuple[str, ...]:
        """The raw event of the status pin where it reads otherwise than before."""
        if self._status(before.mode, before.usb) == self._status(after.mode, after.usb):
            return ()
        return self._known("status.edge")

    def _instant(self, before: Comb, dues: tuple[int, ...]) -> Step:
        """Everything due now, until regions and circuit are at rest."""
        stepper, layout = self.stepper, self.layout
        was_awake = not before.dead and not before.power_up and self.is_awake(before.states)
        turned = before.turned or before.forced >= 0
        comb = replace(before, raws=(), dues=(), power_up=False, turned=False)
        raws, power_up = before.raws, before.power_up
        # Contacts that close at time 0 are met by the first power-up in its instant.
        at_zero = raws if power_up else ()
        public: list[int] = []
        woke = filled = False
        opened = rounds = 0
        if power_up and self._is_dead():
            comb, opened = replace(comb, protected=True), 1
        self._comb = comb
        self._wakers = 0
        self._place(comb, dues)
        waits = layout.hold_up
        latch = self._latch = latch_of(
            layout.system.hold_up_ns, 0 if waits is None else comb.states[waits],
            due=waits in dues)
        switching = self._supply_of(comb)
        if before.power_up:
            comb = self._comb = self._with(comb, replace(switching, cut=switching.opened))
        turned = turned or switching.cut != switching.opened
        if comb.dead:
            stepper.freeze()
        # What the charge has reached, USB and the temperature come before dwells that end now.
        first = turned or before.power_up
        while True:
            if not comb.dead and not first:
                public += stepper.run_instant(0, raws, power_up=power_up)
                woke = woke or (stepper.woke and not was_awake)
            edges = raws if first else ()
            after, raws, risen = self._electrical(comb, settled=not first)
            if after is None and not first:
                break
            if after is not None:
                self._forgot |= risen
                opened += int(after.protected and not comb.protected)
                filled = filled or (after.mode != comb.mode and MODES[after.mode] == "complete")
                was_awake = was_awake and not risen
                comb = self._comb = after
                rounds += 1
            power_up = risen or (first and before.power_up and not comb.dead)
            raws = (*edges, *raws)
            if power_up:
                raws, at_zero = self._met(at_zero), ()
            first = False
            if rounds > k.SWITCHES:
                raise EndlessInstant(0, k.SWITCHES, *restless(
                    layout.charger, self._supply_of(comb), opens=opened > 1))
        if waits is not None:
            stands = state_of(latch, dead=comb.dead)
            if stands != stepper.states[waits]:
                stepper.states[waits], stepper.entered_ns[waits] = stands, 0
        states = tuple(stepper.states)
        comb = replace(
            comb, states=states, stood=tuple(
                stepper.kept(r) if states[r] in stepper.never_kept(r) else states[r]
                for r in layout.outlasted), waiting=stepper.waiting(), memory=tuple(stepper.memory),
            conditions=tuple(stepper.condition_values), forced=-1,
        )
        self._comb = comb
        if before.forced == k.MARK_OPEN and comb == replace(before, dues=(), forced=-1):
            # Somewhere in a lap the protection opens; from here it does again, at the same time.
            raise EndlessInstant(0, k.SWITCHES, *CHATTER)
        awake = not comb.dead and self.is_awake(states)
        bits = k.FILLS if filled else 0
        if woke or (awake and not was_awake):
            bits |= k.WAKES | self._wakers << k.WAKERS
        self._happened = frozenset(stepper.event_names[number] for number in public)
        if self._forgot:
            bits |= k.FORGETS
        if "charge.completed" in self._happened:
            bits |= k.ANCHORS
        return Step(
            comb=comb,
            bits=bits,
            opened=opened,
            waves=sum(1 << n for n, name in enumerate(self._waves) if name in self._happened),
            writes=self._writes(before, comb),
            habits=sum(1 << n for n, number in enumerate(layout.started)
                       if self._habits[number]()),
            sets=self._sets(before, comb),
            asked=tuple(self._asked.items()),
        )

    def _wakes(self, region: int) -> None:
        """A region has entered a state that keeps the controller awake."""
        if region >= 0:
            self._wakers |= 1 << region

    def _is_dead(self) -> bool:
        """Whether the cell is below the cut-off before anything has happened."""
        start = self.start()
        return self.ask(k.ASK_OPEN, self._loads_of(self.moment(start), start.states), 0)

    def _stop(self, comb: Comb) -> None:
        """Nothing supplies the controller: it stands as it was left, or as it will begin."""
        if comb.released:
            self.stepper.freeze()
        else:
            self.stepper.halt(0)

    def _held(self, comb: Comb) -> bool:
        """Whether a contact, or USB, keeps the supply that the firmware may let go of."""
        return any(comb.usb if name == "usb" else comb.closed[self.layout.buttons.index(name)]
                   for name in self.layout.powering)

    def _let_go(self, comb: Comb, now: Supply, settled: bool) -> Supply | None:
        """What the latch says now."""
        if not self.stepper.may_let_go:
            return None
        return self._latch.next(0, now, held=self._held(comb),
                                goes=settled and not comb.dead and self.stepper.lets_go)[0]

    def _electrical(
        self, comb: Comb, *, settled: bool
    ) -> tuple[Comb | None, tuple[str, ...], bool]:
        """The next electrical step: the combination after it (None: none is due), the raw events it
        makes, and whether the controller powers up.
        """
        now = self._supply_of(comb)
        supply = next_supply(self.layout.charger, now, _Cell(self, comb),
                             restarts=self.layout.gadget.cell.restart is not None,
                             let_go=self._let_go(comb, now, settled))
        if supply is None:
            return None, (), False
        after = self._with(replace(comb, forced=-1), supply)
        if after.dead == comb.dead:
            return after, self._edge(comb, after), False
        if after.dead:
            self._stop(after)
            return after, (), False
        self._comb = after
        return after, (), True

    def _met(self, raws: tuple[str, ...]) -> tuple[str, ...]:
        """What is met at power-up, with what changes in its instant."""
        return tuple(met_at_power_up(raws, self.flag, self.stepper.event_ids))

    def _writes(self, before: Comb, comb: Comb) -> int:
        """Bits of the regions of which something else is kept now than before."""
        regions = self.layout.regions
        was, stays = self._kept(before), self._kept(comb)
        return sum(1 << n for n, r in enumerate(self.layout.keeping)
                   if (was[r] != stays[r] if regions[r].kept == "state"
                       else before.memory[r] != comb.memory[r]))

    def _sets(self, before: Comb, comb: Comb) -> tuple[tuple[int, int, int], ...]:
        """The regions that stand anew, and the dwell group of each that comes next."""
        layout = self.layout
        found = []
        for r, state in enumerate(comb.states):
            entered = int(self.stepper.entered_ns[r] == 0)
            if not entered and comb.waiting[r] == before.waiting[r]:
                continue
            group = -1
            if not comb.dead and comb.waiting[r] < len(layout.groups[r][state]):
                group = layout.group_start[layout.offset[r] + state] + comb.waiting[r]
            found.append((r, entered, group))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class _Cell:
    """What is asked of the cell in a combination: see `supply.Cell`."""

    learner: Learner
    comb: Comb

    def opens(self) -> bool:
        return self.comb.forced == k.MARK_OPEN or self._ask(k.ASK_OPEN, 0)

    def closes(self) -> bool:
        return self.learner.ask(k.ASK_RESTART, 0, 0)

    def full(self) -> bool:
        return self.learner.ask(k.ASK_FULL, 0, 0)

    def low(self) -> bool:
        return self._ask(k.ASK_LOW, 0)

    def step(self) -> ChargerMode | None:
        if self.comb.forced >= k.MARK_MODE:
            return MODES[self.comb.forced - k.MARK_MODE]
        if self.comb.mode == MODES.index("fault") or not self._ask(k.ASK_STEP, -1):
            return None
        return next(mode for n, mode in enumerate(MODES) if self._ask(k.ASK_STEP, n))

    def _ask(self, kind: int, what: int) -> bool:
        return self.learner.ask(kind, self.learner.loads(), what)
