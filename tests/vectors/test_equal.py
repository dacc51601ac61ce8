"""What is proved to do what the model does really does it: small gadgets, played at random."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from random import Random
from typing import Any

import pytest

from simfw.behaviour.build import check
from simfw.behaviour.hold import holding
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Gadget
from simfw.vectors.build import Rehearsal
from simfw.vectors.equal import Prover
from simfw.vectors.exposing import Judge, asks_of
from simfw.vectors.faults import Fault
from simfw.vectors.possible import all_faults
from simfw.vectors.sketch import Act
from simfw.verify.budget import Budget
from tests.sharing import uncounted

MS = 10**6
GRID_NS = 10 * MS  # every time of these gadgets is a multiple of it: ends of times meet
GAPS = (1, 1, 1, 2, 2, 3, 4, 5, 5, 6, 8, 10, 10, 12, 20, 25, 50)
ACTS = 40


def made(behaviour: dict[str, Any], **parts: Any) -> Gadget:
    """A gadget with one raw key and what the regions of `behaviour` drive."""
    gadget = Gadget.model_validate({
        "gadget": {"name": "Small"}, "cell": {"curve": "lco", "capacity": "650 mAh"},
        "loads": {"glow": {"current": "10 mA"}, "buzz": {"current": "20 mA"}},
        "buttons": {"key": {"debounce": "20 ms"}},
        "behaviour": behaviour, **parts,
    })  # fmt: skip
    assert not check(gadget)
    return gadget


def row(to: str, source: str | list[str], **more: Any) -> dict[str, Any]:
    """One row of a table."""
    return {"from": source, "to": to, **more}


def region(starts: str, states: str, *rows: dict[str, Any], lit: str = "", what: str = "glow",
           by: Mapping[str, str] | None = None, **more: Any) -> dict[str, Any]:
    """A region; those of `states` that are in `lit` drive `what`, those in `by` by a dial."""
    driven = {**dict.fromkeys(lit.split(), "on"), **(by or {})}
    return {"starts": starts, "rows": list(rows),
            "states": {name: {what: driven[name]} if name in driven else {}
                       for name in states.split()}, **more}


SHIFTED = made({
    "lamp": region(
        "idle", "idle first second other lit off",
        row("first", "idle", on="key.press"),
        row("second", "first", after="100 ms"),
        row("other", "first", on="one"),
        row("lit", "second", after="100 ms", when="not walk.home"),
        row("lit", "other", on="two"),
        row("off", "other", after="100 ms"),
        lit="lit"),
    "walk": region(
        "home", "home on over",
        row("on", "home", on="key.press"),
        row("over", "on", after="100 ms", emit="one"),
        row("home", "over", after="100 ms", emit="two")),
})  # fmt: skip
"""The time of `first` ends with what would make it go elsewhere; so does that of `other`."""

KEPT = made({
    "lamp": region("dark", "dark lit",
                   row("lit", "dark", on="key.click", when="lock.open"),
                   row("dark", "lit", on="key.press", when="lock.closed"),
                   lit="lit", kept="state"),
    "lock": region("closed", "closed open", row("open", "closed", on="key.press")),
})  # fmt: skip
"""A lamp that is lit while the lock is closed has been lit before the supply went."""


PASSING = made({
    "relay": region("idle", "idle here detour done",
                    row("here", "idle", on="key.press"),
                    row("done", "here", after="0 s", emit="soon"),
                    row("here", "detour", after="0 s"),
                    row("idle", "done", on="key.release")),
    "ping": region("on", "on off", row("same", "on", on="key.press", emit="ask")),
    "pong": region("on", "on off", row("same", "on", on="ask", emit="late")),
    "lamp": region("dark", "dark half lit",
                   row("half", "dark", on="soon"), row("lit", "half", on="late"),
                   row("dark", ["half", "lit"], on="key.release"), lit="lit"),
})  # fmt: skip
"""What goes round by `detour` says `soon` after `late`, in the same instant."""

LOOKED_AT = made({
    "relay": region("idle", "idle here detour done",
                    row("here", "idle", on="key.press"),
                    row("done", "here", after="0 s"),
                    row("here", "detour", after="0 s"),
                    row("idle", "done", on="key.release")),
    "ping": region("on", "on off", row("same", "on", on="key.press", emit="ask")),
    "lamp": region("dark", "dark lit",
                   row("lit", "dark", on="ask", when="relay.done"),
                   row("dark", "lit", on="key.release"), lit="lit"),
})  # fmt: skip
"""What goes round by `detour` is not there yet when it is looked at, in the same instant."""


DEEP = made({
    "walk": region("home", "home on a b c d e f",
                   row("on", "home", on="key.press"),
                   row("a", "on", after="100 ms"),
                   *(row(to, source, after="0 s") for source, to in pairwise("abcdef")),
                   row("home", "f", after="0 s", emit="one")),
    "lamp": region("idle", "idle first a b c d e f g heard",
                   row("first", "idle", on="key.press"),
                   row("a", "first", after="100 ms"),
                   *(row(to, source, after="0 s") for source, to in pairwise("abcdefg")),
                   row("heard", "g", on="one"),
                   row("idle", "g", after="0 s"),
                   row("idle", "heard", on="key.release"),
                   lit="heard"),
})  # fmt: skip
"""What is free is heard in the eighth round of an instant alone, where times of it meet."""


DUSK = made({
    "house": region("off", "off day evening fading",
                    row("day", "off", on="auto.closed"),
                    row("off", ["off", "day", "evening", "fading"], on="auto.opened"),
                    row("evening", "day", on="light.down"),
                    row("day", ["evening", "fading"], on="light.up"),
                    row("fading", "evening", after="300 ms"),
                    row("fading", "fading", after="100 ms", emit="darker"),
                    row("day", "fading", on="fade.end"),
                    lit="evening", by={"fading": "fade"}),
}, buttons={}, toggles={"auto": {"debounce": "20 ms"}},
   measures={"light": {"unit": "lx", "thresholds": ["10 lx"], "hysteresis": "2 lx",
                       "every": "100 ms", "settle": "10 ms", "enabled": "auto.on"}},
   dials={"fade": {"values": ["100 %", "60 %", "20 %"],
                   "rows": [{"on": "darker", "step": 1},
                            {"on": ["light.up", "auto.closed"], "to": 0}]}})  # fmt: skip
"""A lamp that is lit at dusk and fades out: a measure, a toggle, a dial, and the times of each."""

TURNED = made({
    "torch": region("dark", "dark lit full",
                    row("lit", "dark", on="key.click"),
                    row("dark", ["lit", "full"], on="key.click"),
                    row("full", ["dark", "lit"], on="key.double"),
                    row("dark", ["lit", "full"], after="500 ms"),
                    lit="full", by={"lit": "level"}),
    "turn": region("up", "up down", row("down", "up", on="level.end"),
                   row("up", "down", on="level.end")),
}, buttons={"key": {"debounce": "20 ms", "double": "100 ms", "hold": "200 ms",
                    "repeat": "50 ms"}},
   dials={"level": {"values": ["20 %", "60 %", "100 %"], "starts": 1,
                    "rows": [{"on": "key.repeat", "step": 1, "when": "torch.lit and turn.up"},
                             {"on": "key.repeat", "step": -1,
                              "when": "torch.lit and turn.down"}]}})  # fmt: skip
"""A torch whose key, held, turns it up and down."""


RESUMED = made({
    "lamp": region("dark", "dark full half locked", row("resume", "dark", on="key.click"),
                   row("half", "full", on="two"), row("full", "half", on="two"),
                   row("dark", ["full", "half"], on="key.click"), row("same", "locked", on="one"),
                   by={"full": "on", "half": "50 %"}, resume_points=["full", "half"]),
    "walk": region("home", "home on", row("on", "home", on="key.press", emit="one"),
                   row("home", "on", on="key.release", emit="three"),
                   row("home", "on", after="100 ms", emit="two")),
})  # fmt: skip
"""A lamp that remembers one of two levels, and events beside it."""

LATCHED = made({
    "lamp": {"starts": "lit", "states": {"lit": {"glow": "on"}, "off": {"controller": "unpowered"}},
             "rows": [row("off", "lit", on="key.click")]},
}, controller={"awake": "1 mA", "asleep": "1 uA", "powered_by": ["key"]})
"""A lamp that lets go of its supply: a state that a slip keeps and the language never does."""


TOLD = made({
    "walk": region("home", "home on", row("on", "home", after="100 ms", emit="one"),
                   row("home", "on", after="100 ms", emit="two")),
}, buttons={"key": {"debounce": "20 ms", "hold": "200 ms"}})  # fmt: skip
"""Nothing is driven: its events are told, those of one instant in their order, too."""


TWO_TELL = made({
    "lamp": region("lit", "lit dark", row("dark", "lit", on="three"), row("dark", "lit", on="one"),
                   row("dark", "lit", on="key.release"), row("lit", "dark", on="four"),
                   lit="lit"),
    "walk": region("home", "home on", row("on", "home", after="100 ms", emit="three"),
                   row("home", "on", after="300 ms", emit="four")),
    "bell": region("quiet", "quiet rings",
                   row("rings", "quiet", on="key.release", emit=["three", "one"]),
                   row("quiet", "rings", after="200 ms"), lit="quiet"),
})  # fmt: skip
"""What the bell tells in vain, since its lamp hears of that key itself, a walk tells, too."""
ENDLESS = made({
    "lamp": region("dark", "dark lit", row("lit", "dark", on="key.press"),
                   row("dark", "lit", on="key.release"), lit="lit"),
    "walk": region("a", "a b", row("same", "a", after="0 s", emit="two"),
                   row("b", "a", after="100 ms")),
})  # fmt: skip
"""A walk that tells something as it begins: were its times to begin anew then, it had no end."""
AT_POWER_UP = made({
    "lamp": region("dark", "dark lit low", row("lit", "dark", on="slide.closed"),
                   row("low", "lit", on="one"), row("lit", "low", on="slide.opened"), lit="lit"),
    "bell": region("a", "a b", row("b", "a", after="0 s", emit="one")),
}, buttons={}, toggles={"slide": {"debounce": "0 s"}})
"""A bell that tells something in the instant of power-up alone, and a contact that moves in it."""


IN_TURN = made({
    "lamp": region("off", "off dark asked lit", row("dark", "off", on="slide.closed"),
                   row("asked", "dark", on="up.press"), row("dark", "asked", after="0 s"),
                   row("lit", "asked", on="down.press"), row("dark", "lit", on="up.release"),
                   lit="lit"),
}, buttons={"up": {"debounce": "20 ms"}, "down": {"debounce": "20 ms"}},
   toggles={"slide": {"debounce": "20 ms"}})  # fmt: skip
"""A lamp that is lit where two buttons are pressed in one instant, the first of the file first."""
HEARD_BETWEEN = made({
    "lamp": region("a", "a b", row("b", "a", on="slide.closed"), row("a", "b", on="slide.opened"),
                   by={"a": "fade", "b": "fade"}),
}, toggles={"slide": {"debounce": "20 ms"}},
   dials={"fade": {"values": ["100 %", "60 %", "20 %"],
                   "rows": [{"on": "key.press", "step": 1, "wrap": True},
                            {"on": "slide.closed", "to": 1},
                            {"on": "key.click", "step": -1},
                            {"on": "key.release", "to": 0}]}})  # fmt: skip
"""A click steps down a dial that the release has put to its end: in vain, but where a slide settles
with it and is heard between the two.
"""
FAR_IN = made({
    "walk": region("on", "on off", row("same", "on", on="two", emit="one")),
    "bell": region("on", "on off", row("on", "on", after="50 ms", emit="two")),
    "lamp": region("on", "on off", by={"on": "fade"}),
}, buttons={"key": {"style": "sample", "samples": 1, "sample_every": "50 ms"}},
   dials={"fade": {"values": ["100 %", "60 %", "20 %"],
                   "rows": [{"on": "key.click", "step": 1, "wrap": True},
                            {"on": "key.release", "to": 1},
                            {"on": "one", "to": 0}]}})  # fmt: skip
"""A release puts a dial to its middle, and the click that follows from it steps it up: from there,
or from its end where `one`, which follows from what follows from a bell, comes between the two.
"""


def fault_of(gadget: Gadget, about: str, words: str) -> tuple[Prepared, Fault]:
    """The one fault of a gadget that is told so."""
    prepared = Prepared(gadget)
    (found,) = [fault for fault in all_faults(holding(prepared.system))
                if fault.about == about and fault.words == words]
    return prepared, found


def courses(prepared: Prepared, count: int) -> Iterator[tuple[Act, ...]]:
    """Contacts, measures, and in every third the supply, moved at random times on a grid; USB and
    the status pin where they are heard. In a quarter more several inputs move in one instant, each
    of them once: the line protocol promises no more.
    """
    measures = prepared.system.measures
    now = dict[str, float]()

    def moved(name: str) -> Act:
        now[name] = 1.0 + float(now[name] == 1.0) if name == "status" else 1.0 - now[name]
        return Act(at, name if name in ("usb", "status") else "contact", name, now[name])

    pins = [name for name in ("usb", "status") if f"{name}.edge" in prepared.system.raw_events]
    for number in range(count + count // 4):
        draw = Random(number)
        now.clear()
        now.update({name: float(rest) for name, rest in prepared.system.contacts.items()})
        now.update(dict.fromkeys(pins, 0.0))
        powered, at, acts = True, 0, list[Act]()
        if "status" in now:  # it reads what is set from the first instant on, USB or not
            acts.append(moved("status"))
        for _ in range(ACTS):
            at += GRID_NS * draw.choice(GAPS)
            if number % 3 == 2 and draw.random() < 0.15:
                powered = not powered
                acts.append(Act(at, "supply", "supply", float(powered)))
            elif powered and measures and draw.random() < 0.4:
                name = draw.choice(list(measures))
                acts.append(Act(at, "measure", name,
                                draw.choice(list(measures[name].between()))))
            elif powered:
                several = number >= count and draw.random() < 0.4
                acts += map(moved, draw.sample(list(now), draw.randint(1, len(now))) if several
                            else [draw.choice(list(now))])
        if not powered:
            acts.append(Act(at + GRID_NS, "supply", "supply", 1.0))
        yield tuple(acts)


def told(prepared: Prepared, faults: Sequence[Fault], count: int, *more: str) -> list[str]:
    """The faults that random courses tell from the model: each is driven with every message.
    `more` is compared than they are judged by.
    """
    return told_by(prepared, faults, courses(prepared, count), *more)


def told_by(prepared: Prepared, faults: Sequence[Fault], played: Iterable[tuple[Act, ...]],
            *more: str) -> list[str]:  # fmt: skip
    """The faults that these courses tell from the model."""
    judge = Judge(holding(prepared.system), prepared.gadget.segments)
    model = Rehearsal(prepared)
    for acts in played:
        judge.add(model.play(charge=0.7, acts=acts, ends_ns=acts[-1].at_ns + 1000 * MS,
                             whole=False))
    found = []
    for fault in faults:
        firmware = judge.bench.hold(fault, (*asks_of(fault), *more))
        if any(firmware.parts(course, range(len(course.marks))) is not None
               for course in judge.courses):
            found.append(f"{fault.kind}: {fault.text}")
    return found


@pytest.mark.parametrize(("gadget", "about", "words"), [
    pytest.param(SHIFTED, "behaviour.lamp.rows[1]",
                 "its time ends after all else in that instant", id="one time of a region"),
    pytest.param(DEEP, "behaviour.lamp.rows[1]",
                 "its time ends after all else in that instant", id="late in an instant"),
    pytest.param(KEPT, "behaviour.lamp.rows[1]", "never fires", id="what is kept"),
    pytest.param(LATCHED, "lamp", "its state is kept over a loss of the supply",
                 id="what lets go is kept"),
    pytest.param(PASSING, "behaviour.relay.rows[0]", "goes to detour", id="what is heard first"),
    pytest.param(LOOKED_AT, "behaviour.relay.rows[0]", "goes to detour", id="what is read"),
    pytest.param(TOLD, "buttons.key.hold", "its time ends before all else in that instant",
                 id="what is told first"),
    pytest.param(TWO_TELL, "behaviour.lamp.rows[0]", "never fires", id="two tell it"),
    pytest.param(ENDLESS, "walk", "its times begin anew at two", id="an instant without end"),
])  # fmt: skip
def test_what_random_play_tells_from_the_model_is_not_proved_to_be_the_same(
    gadget: Gadget, about: str, words: str,
) -> None:
    """A time that ends late while the others of its region do not; a row that fires only where
    something was kept over a loss of the supply; a slip that keeps what lets go of the supply; what
    comes a round later in its instant; an event that is told before another of its instant; an
    event that is told by a region that is searched, and by another one; an instant that never ends.
    """
    prepared, fault = fault_of(gadget, about, words)
    assert told(prepared, [fault], 12) != []
    assert not Prover(holding(prepared.system), gadget.segments).same(fault)


@pytest.mark.parametrize("gadget", [SHIFTED, KEPT, PASSING, LOOKED_AT, DUSK, TURNED,
                                    RESUMED, TOLD, TWO_TELL, ENDLESS])
def test_no_fault_that_is_proved_the_same_is_told_by_random_play(gadget: Gadget) -> None:
    """Every fault of a few small gadgets that the search proves, against random courses."""
    prepared = Prepared(gadget)
    faults = all_faults(prepared.system)
    with uncounted():  # the test above goes through the lines of proofs and of play
        prover = Prover(prepared.system, gadget.segments, 0.1, whole=Budget(150_000))
        same = [fault for fault in faults if prover.same(fault)]
        assert len(same) > 3
        assert told(prepared, same, 24, "wake") == []


def test_what_shows_in_the_instant_of_power_up_alone_is_not_proved_to_be_the_same() -> None:
    """What a region outside of a search tells at power-up, and a contact that moves just then: no
    fault that is called the same is told by courses with either.
    """
    prepared = Prepared(AT_POWER_UP)
    system = holding(prepared.system)
    prover = Prover(system, AT_POWER_UP.segments)
    same = [fault for fault in all_faults(system) if prover.same(fault)]
    assert len(same) > 3
    assert told(prepared, same, 24, "wake") == []
    moved = [(Act(0, "contact", "slide", 1.0), Act(10**9, "contact", "slide", 0.0))]
    assert told_by(prepared, same, moved, "wake") == []


@pytest.mark.parametrize(("gadget", "about", "words", "moved"), [
    pytest.param(IN_TURN, "behaviour.lamp.rows[3]", "never fires",
                 [(500, "slide"), (1000, "up"), (1000, "down")], id="in the order of the file"),
    pytest.param(HEARD_BETWEEN, "buttons.key#2", "does not emit key.click",
                 [(1000, "key"), (1300, "key"), (1300, "slide")], id="heard between"),
    pytest.param(FAR_IN, "dials.fade.rows[0]#1", "never fires",
                 [(1000, "key"), (1300, "key")], id="heard between, of a later round"),
])  # fmt: skip
def test_what_comes_within_an_instant_and_shows_is_not_proved_to_be_the_same(
    gadget: Gadget, about: str, words: str, moved: Sequence[tuple[int, str]],
) -> None:
    """What is lit where two are pressed in one instant; an event of others that is heard between
    two, one of which the fault leaves out; one that comes of what others have told before.
    """
    prepared, fault = fault_of(gadget, about, words)
    now = dict.fromkeys(prepared.system.contacts, 0.0)
    acts = []
    for at_ms, name in moved:
        now[name] = 1.0 - now[name]
        acts.append(Act(at_ms * MS, "contact", name, now[name]))
    assert told_by(prepared, [fault], [tuple(acts)]) != []
    assert not Prover(holding(prepared.system), gadget.segments).same(fault)


def charged(lit_on: str) -> Gadget:
    """A lamp that is lit by what the charger says, and put out with a key."""
    return made({
        "lamp": region("dark", "dark lit", row("lit", "dark", on=lit_on),
                       row("dark", "lit", on="key.press"), lit="lit"),
    }, charger={"current": "250 mA", "float": "4.2 V", "finish": "10 %",
                "status": "low while charging"},
       controller={"awake": "1 mA", "asleep": "1 uA", "pull_up": "35k"})  # fmt: skip


def test_usb_comes_before_what_the_charger_says_of_it_in_the_same_instant() -> None:
    """What charges as soon as USB is there has completed where the pin goes high with USB: shown by
    a bench, and not proved to be none.
    """
    gadget = charged("charge.completed")
    prepared, fault = fault_of(gadget, "charger#1", "goes to charging")
    acts = (Act(0, "status", "status", 1.0), Act(10**9, "usb", "usb", 1.0),
            Act(10**9, "status", "status", 2.0))
    assert told_by(prepared, [fault], [acts]) != []
    assert not Prover(holding(prepared.system), gadget.segments).same(fault)


def test_what_shows_only_if_an_input_moves_twice_in_one_instant_is_proved_to_be_the_same() -> None:
    """USB that goes and comes at one time gives two edges, both with USB there: a charger without
    its guard takes them for an end and a beginning. The line protocol promises that it never does.
    """
    gadget = charged("usb.out")
    prepared, fault = fault_of(gadget, "charger#2", "its guard is dropped")
    acts = (Act(10**9, "usb", "usb", 1.0), Act(2 * 10**9, "usb", "usb", 0.0),
            Act(2 * 10**9, "usb", "usb", 1.0))
    assert told_by(prepared, [fault], [acts]) != []
    assert Prover(holding(prepared.system), gadget.segments).same(fault)


@pytest.mark.parametrize("lit_on", ["usb.out", "charge.started", "charge.completed"])
def test_a_fault_of_the_charger_is_proved_or_told_by_random_play(lit_on: str) -> None:
    """One of the two, and never both: USB and the status pin move at random, also at one time."""
    prepared = Prepared(gadget := charged(lit_on))
    faults = [fault for fault in all_faults(holding(prepared.system))
              if fault.about in ("charger#1", "charger#2")]
    prover = Prover(holding(prepared.system), gadget.segments)
    assert len(faults) > 10
    for fault in faults:
        assert prover.same(fault) is (told(prepared, [fault], 30, "wake") == []), fault.text
