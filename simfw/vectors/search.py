"""The search for stimuli that cover what is to be covered: kept where they bring something new.

A node is a moment of the sketch with the acts that led to it. From a node all that may be done is
tried (see `doing`). A node is kept if it covers something new or shows a combination of states not
seen before. The node to go on from is the one that stands in most states that uncovered rows lead
from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from simfw.behaviour.expression import evaluate
from simfw.behaviour.region import Region, Row, System
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.engine.clocks import Clocks, clock_of
from simfw.errors import EndlessInstant
from simfw.vectors.doing import MS, SIDE, SOON_NS, Doing, beside, middles, resting_hands
from simfw.vectors.items import all_items, key_of
from simfw.vectors.nodes import Found, Node, Nodes
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Act, Saved, Sketch

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["SIDE", "beside", "middles", "resting_hands", "search"]

# Of what the gauge reads: V, or a share of its capacity figure.
NEAR = 0.003  # how far from a threshold of the gauge a start is placed
LEAST_CHARGE = 0.001  # below, a start is not worth a vector
TIRED = 2  # how often a wish for one row may be followed without anything new
MOST = 300  # nodes that are gone on from, for each of the two kinds of act
# Instants in which all is tried from every node. After them only what is aimed is, from where the
# end of a time is wanted, and after so many in all nothing more.
MOST_OF_ALL = 40_000
MOST_INSTANTS = 100_000


def _standing(region: Region, row: Row) -> frozenset[tuple[str, str]]:
    """The states in which a row can be waited for: for a passing state, those that lead to it.

    A state passes that a zero dwell leaves whatever its guard; one that only guards may hold back
    passes for the zero dwells themselves, and can be waited in for all other rows.
    """
    passing = {state for other in region.rows if other.after_ns == 0 and other.when is None
               for state in other.sources}  # fmt: skip
    states: set[str] = set()
    for source in row.sources:
        if source in passing or row.after_ns == 0:
            states |= {state for other in region.rows if other.to == source
                       for state in other.sources}  # fmt: skip
        else:
            states.add(source)
    if not states - passing:
        states = {state.name for state in region.states}
    return frozenset((region.name, state) for state in states)


def _leading(region: Region, row: Row) -> frozenset[tuple[str, str]]:
    """The states from which another row leads to where a row can be waited for."""
    return frozenset((region.name, state) for other in region.rows if other.to in row.sources
                     for state in other.sources)  # fmt: skip


class _Search(Doing):
    def __init__(self, gadget: Gadget, system: System, circuit: Circuit,
                 segments: Mapping[str, int], clocks: Clocks) -> None:  # fmt: skip
        super().__init__(gadget, system, Sketch(system, circuit, segments),
                         set(all_items(system)))
        self.resting = clock_of(circuit, LoadSet(), clocks)
        self.resumes: dict[str, list[str]] = {}
        for item in self.left:
            if item.startswith("resume "):
                self.resumes.setdefault(key_of(item), []).append(item)
        self.known: set[tuple[object, ...]] = set()
        self.nodes = Nodes()
        self.found: list[Found] = []
        self.ticking = {f"{name}.look" for name in (*gadget.proximity, *gadget.measures)}
        self.ticking.add("gauge")
        self.rests = dict(self.sketch.measured)
        self.rows = {row.key: row for region in system.regions for row in region.rows}
        self.sources = {row.key: _standing(region, row)
                        for region in system.regions for row in region.rows}  # fmt: skip
        self.leading = {row.key: _leading(region, row)
                        for region in system.regions for row in region.rows}  # fmt: skip
        for region in system.regions:
            everywhere = frozenset((region.name, state.name) for state in region.states)
            self.sources |= {f"{region.name}:{state.name}": everywhere for state in region.states}
        self.region_of = {row.key: number for number, region in enumerate(system.regions)
                          for row in region.rows}  # fmt: skip
        self.electrical = {row.key for region in system.regions for row in region.rows
                           if region.group in ("charge", "gauge")}  # fmt: skip
        self.electrical |= {f"{region.name}:{state.name}" for region in system.regions
                            for state in region.states
                            if region.group in ("charge", "gauge")}  # fmt: skip
        self.own = {(region.name, state.name) for region in system.regions
                    if region.group == "behaviour" for state in region.states}  # fmt: skip
        self.standing: dict[tuple[str, str], Node] = {}  # the first node at rest in each of them
        self.tired: dict[str, int] = {}
        self.quiet = Found(charge=0.5, acts=(), ends_ns=0, covers=frozenset())

    # -- where to start ----------------------------------------------------------------------------

    def charges(self) -> Iterator[float]:
        """Start charges: half full, and both sides of every level that a first reading meets."""
        yield 0.5
        gauge = self.gadget.gauge
        figures = () if gauge is None else (*gauge.thresholds, gauge.low, gauge.flat)
        for level in sorted({figure.value for figure in figures if figure is not None}):
            for away in (NEAR, -NEAR):
                charge = self._charge_at(level, away)
                if charge is not None:
                    yield charge

    def _charge_at(self, level: float, away: float) -> float | None:
        """The charge at which the gauge of the gadget at rest reads `away` from a level."""
        circuit = self.sketch.circuit
        cut_off = circuit.cut_off_v
        if circuit.counter is not None:
            charge = circuit.counter.charge_at(level + away)
            least = 0.0 if cut_off is None else self.resting.charge_at_voltage(cut_off)
            if charge <= least:
                return None
        else:
            volts = circuit.true_v_for(level) + away
            if cut_off is not None and volts <= cut_off:
                return None
            charge = self.resting.charge_at_voltage(volts)
        return round(charge, 6) if LEAST_CHARGE < charge < 1.0 else None

    # -- the search itself -------------------------------------------------------------------------

    def keep(self, found: Found) -> bool:
        """Make a node of the present moment of the sketch, if it is worth it."""
        sketch, stepper = self.sketch, self.sketch.stepper
        news = self.left & sketch.seen
        states = frozenset(zip(stepper.region_names, stepper.names(), strict=True))
        key = (
            frozenset(item for item in states if item[0] not in self.ticking),
            tuple(sketch.contacts.items()), tuple(sketch.hands), sketch.usb,
            tuple(sketch.measured.items()),
            (stepper.bars(), sketch.status) if self.pins else None, tuple(stepper.memory),
        )  # fmt: skip
        if not news and key in self.known and found.acts:
            return False
        self.known.add(key)
        found = Found(charge=found.charge, acts=found.acts, ends_ns=sketch.now,
                      covers=found.covers | sketch.seen)  # fmt: skip
        if news:
            self.left -= news
            self.found.append(found)
        node = Node(sketch.save(), found, states)
        self.nodes.add(node)
        if not (any(sketch.contacts.get(name, rest) != rest
                    for name, rest in self.system.contacts.items())
                or sketch.hands or sketch.usb or sketch.measured != self.rests):
            for place in states & self.own:
                self.standing.setdefault(place, node)
        return bool(news)

    def expand(self, node: Node, key: str = "") -> bool:
        """Try everything from a node, or in a long search what is aimed at the end of the time of
        row `key`, if it has one; whether anything new came of it.
        """
        sketch = self.sketch
        sketch.load(node.saved)
        news = False
        # Many tries begin alike: what lies before their first act, and before their last, is kept.
        kept: dict[object, tuple[Saved, set[str]]] = {}
        timed = key in self.rows and self.rows[key].after_ns
        if timed and sketch.instants >= MOST_OF_ALL:
            tries = list(self.aimed())
        else:
            tries = [("", ends, changes) for ends, changes in self.tries()]
        for item, ends, changes in tries:
            if sketch.instants >= MOST_INSTANTS:
                break
            if item and item not in self.left:
                continue
            sketch.load(node.saved)
            acts = tuple([Act(node.saved.now + offset, kind, name, value)
                          for offset, kind, name, value in changes])  # fmt: skip
            try:
                if acts:
                    self.perform(acts, kept)
                if ends > sketch.now:
                    sketch.go_to(ends)
                    sketch.settle()
            except EndlessInstant:
                continue
            news |= self.keep(Found(charge=node.found.charge, acts=(*node.found.acts, *acts),
                                    ends_ns=ends, covers=node.found.covers))  # fmt: skip
        return news

    def perform(self, acts: tuple[Act, ...], kept: dict[object, tuple[Saved, set[str]]]) -> None:
        """Go through some acts from a node, or take over what was kept of the same."""
        sketch = self.sketch
        if acts in kept:
            self.take(kept[acts])
            return
        first = acts[0].at_ns
        if first in kept:
            self.take(kept[first])
        else:
            sketch.go_to(first)
            kept[first] = sketch.save(), set(sketch.seen)
        for at in sorted({act.at_ns for act in acts}):
            if at > sketch.now:
                sketch.go_to(at)
            sketch.act(act for act in acts if act.at_ns == at)
        kept[acts] = sketch.save(), set(sketch.seen)

    def take(self, kept: tuple[Saved, set[str]]) -> None:
        """Stand where something was kept, having seen what had been seen."""
        self.sketch.load(kept[0])
        self.sketch.seen = set(kept[1])

    def choose(self) -> tuple[Node, str] | None:
        """The next node to go on from, and the uncovered row it is for."""
        wishes = {key_of(item) for item in self.left
                  if not item.startswith(("pair ", "power ", "back "))}
        if not self.pins:
            # What depends on cell and charger alone is reached from the starts, or not at all.
            wishes -= self.electrical
        for key in sorted(wishes, key=lambda key: (self.tired.get(key, 0), key)):
            if self.tired.get(key, 0) >= TIRED:
                break
            node = self.best(key)
            if node is not None:
                return node, key
        return None

    def fitting(self, key: str) -> Iterator[Node]:
        """The nodes in which a row can be waited for, from the first on."""
        return self.nodes.standing_in(self.sources[key])

    def best(self, key: str) -> Node | None:
        """The first fitting node that goes back to where it never went back to, or else where the
        guard says what it was never heard to say.
        """
        first = next(self.fitting(key), None)
        if first is None:
            # Nowhere yet: go on from where a row leads there.
            before = self.leading.get(key, frozenset())
            return next(self.nodes.standing_in(before), None)
        places = {item.split(" ")[2] for item in self.resumes.get(key, ()) if item in self.left}
        if places:
            number = self.region_of[key]
            names = self.sketch.stepper.state_names[number]
            for node in self.fitting(key):
                remembered = node.saved.memory[number]
                if remembered >= 0 and names[remembered] in places:
                    return node
        guard = self.rows[key].when if key in self.rows else None
        wanted = [outcome for outcome in (False, True)
                  if f"guard {key} {'true' if outcome else 'false'}" in self.left]  # fmt: skip
        if guard is not None and len(wanted) == 1:
            for node in self.fitting(key):
                self.sketch.load(node.saved)
                if evaluate(guard, self.sketch) == wanted[0]:
                    return node
        return first

    def quietest(self) -> Found:
        """The shortest way to where least ticks beside the gauge: its samples stand alone there."""
        own = self.sketch.stepper.region_names.index("gauge") if self.gadget.gauge else -1

        def rank(node: Node) -> tuple[int, int, int]:
            running = sum(due < NEVER for number, due in enumerate(node.saved.due_in)
                          if number != own)  # fmt: skip
            return running, len(node.found.acts), node.found.ends_ns

        free = [node for node in self.nodes if not node.saved.usb and not node.saved.hands
                and all(closed == self.system.contacts[name]
                        for name, closed in node.saved.contacts)
                and node.found.charge == 0.5]  # fmt: skip
        return min(free, key=rank).found if free else Found(
            charge=0.5, acts=(), ends_ns=0, covers=frozenset())  # fmt: skip

    def sweep(self) -> Found | None:
        """Every level of the gauge from both sides, up and down, for a bench that sets them."""
        gauge = self.gadget.gauge
        if gauge is None:
            return None
        levels = self.levels()
        begins = self.quiet
        now = begins.ends_ns
        usb = [Act(now + SOON_NS, "usb", "usb", 1.0)] if self.gadget.charger is not None else []
        sides = [beside(self.reading, level, side * SIDE) for level in levels for side in (-1, 1)]
        wait = 2 * gauge.every.ns + MS
        acts = (*begins.acts, *usb,
                *(Act(now + 2 * SOON_NS + k * wait, "measured", self.reading, value)
                  for k, value in enumerate([*sides, *reversed(sides)])))  # fmt: skip
        ends = now + 2 * SOON_NS + (2 * len(sides) + len(usb) + 1) * wait
        return Found(charge=0.5, acts=acts, ends_ns=ends, covers=frozenset())

    def explore(self) -> None:
        """Go on from nodes until nothing is left, or nothing helps."""
        for _ in range(MOST):
            chosen = self.choose()
            if chosen is None or self.sketch.instants >= MOST_INSTANTS:
                return
            node, key = chosen
            self.nodes.remove(node)
            if self.expand(node, key):
                self.tired[key] = 0
            else:
                self.tired[key] = self.tired.get(key, 0) + 1

    def power_ups(self) -> None:
        """Power-up with USB, with contacts closed, with the supply at every level of the gauge."""
        wait = self.rest_ns
        if self.gadget.gauge is not None:
            wait = max(wait, 2 * self.gadget.gauge.every.ns + MS)
        if self.gadget.charger is not None:
            self.power_up(wait, [Act(0, "usb", "usb", 1.0)])
        for level in self.levels():
            for side in (-SIDE, SIDE):
                # From the other side it shows which level the first reading has led to.
                first, then = (Act(at, "measured", self.reading, beside(self.reading, level, away))
                               for at, away in ((0, side), (wait, -side)))  # fmt: skip
                self.power_up(wait, [first], [then])
        rests = self.system.contacts
        held = [Act(0, "held", name, float(not closed)) for name, closed in rests.items()]
        self.power_up(wait, held, [Act(wait, "contact", name, float(closed))
                                   for name, closed in rests.items()])

    def power_up(self, wait: int, acts: Sequence[Act], later: Sequence[Act] = ()) -> None:
        """Power-up after some acts, until all has settled, and again after the later ones."""
        sketch = self.sketch
        if not acts:
            return
        try:
            sketch.start(0.5, acts)
            sketch.go_to(wait)
            sketch.act(later)
            if later:
                sketch.go_to(2 * wait)
                sketch.settle()
        except EndlessInstant:
            return
        if self.left & sketch.seen:
            self.keep(Found(charge=0.5, acts=(*acts, *later), ends_ns=0, covers=frozenset()))
            self.nodes.pop()

    def run(self) -> None:
        """Search with what a scenario can do, then with what a bench can do beyond it."""
        roots = []
        charges = self.sketch.charges = tuple(self.charges())
        for charge in charges:
            try:
                self.sketch.start(charge)
            except EndlessInstant:
                continue
            self.keep(Found(charge=charge, acts=(), ends_ns=0, covers=frozenset()))
            roots.append(self.nodes.pop())
        for root in roots:
            self.expand(root)
        self.explore()
        self.power_ups()
        self.quiet = self.quietest()
        self.pins = True
        self.tired.clear()
        plugged = [node for node in self.nodes if node.saved.usb and not node.saved.contacts]
        # What a voltage does to the gadget's own states is tried from each of them.
        self.nodes = Nodes([*roots[:1], *plugged[:2], *self.standing.values()])
        self.explore()


def search(gadget: Gadget, system: System, circuit: Circuit, segments: Mapping[str, int],
           clocks: Clocks) -> list[Found]:  # fmt: skip
    """Paths from power-up, each of which covered something that no earlier one did.

    The last is the sweep of the gauge's levels, if there is a gauge; its coverage is not told.
    `clocks` are charge clocks known already.
    """
    searching = _Search(gadget, system, circuit, segments, clocks)
    searching.run()
    swept = searching.sweep()
    return [*searching.found, *([swept] if swept is not None else [])]
