"""Stock regions of buttons and chords: contacts, gestures, presses that belong together."""

from __future__ import annotations

from collections.abc import Mapping

from simfw.behaviour.region import Region, State
from simfw.behaviour.stock_parts import Rows, Stock, region_of
from simfw.behaviour.tree import All, Any, Expression, Flag, Inside, Not
from simfw.gadget.model import Button, Chord, Gadget

__all__ = ["button_parts", "chord_parts", "pressed"]


def pressed(name: str, button: Button, chords: Mapping[str, Chord]) -> Inside:
    """The button counts as pressed: from the settled press to the settled release."""
    states = [state for state in _gesture_states(button, chords) if state not in ("up", "waiting")]
    return Inside(f"{name}.gesture", frozenset(states), f"{name}.pressed")


def _gesture_states(button: Button, chords: Mapping[str, Chord]) -> list[str]:
    """The states of a gesture; `chords` are those of the button."""
    states = ["up", "down"]
    if button.hold is not None or button.double is not None or chords:
        states.append("held")
    if button.double is not None:
        states.append("waiting")
        if chords:
            states.append("again")
    return states


def _chords_of(name: str, chords: Mapping[str, Chord]) -> dict[str, Chord]:
    return {chord: part for chord, part in chords.items() if name in part.buttons}


def button_parts(name: str, button: Button, chords: Mapping[str, Chord]) -> Stock:
    """Contact and gesture of a button."""
    mine = _chords_of(name, chords)
    events = [f"{name}.press", f"{name}.release", f"{name}.click"]
    if button.double is not None:
        events.append(f"{name}.double")
    if button.hold is not None:
        events.append(f"{name}.hold")
    down = pressed(name, button, mine)
    build_contact = _settling if button.style == "settle" else _sampling
    return Stock(
        regions=(build_contact(name, button, down), _gesture(name, button, mine)),
        conditions=(),
        events=tuple(events),
        internal_events=(),
        raw_events=(f"{name}.edge",),
        aliases={name: (f"{name}.contact", f"{name}.gesture")},
        shorthands={f"{name}.pressed": down},
        flags=(f"{name}.closed",),
        contacts={name: False},
    )


def _settling(name: str, button: Button, down: Inside) -> Region:
    closed = Flag(f"{name}.closed")
    key = f"buttons.{name}.debounce"
    rows = Rows((State(name="still"), State(name="bouncing", awake=True)))
    rows.add(key, ("still", "bouncing"), "bouncing", on=f"{name}.edge",
             note="every edge of the contact starts the debounce time anew")
    wait = button.debounce.ns
    rows.add(key, "bouncing", "still", after=wait, when=All((closed, Not(down))),
             emit=(f"{name}.press",), note="the contact has been still, closed: a press")
    rows.add(key, "bouncing", "still", after=wait, when=All((Not(closed), down)),
             emit=(f"{name}.release",), note="the contact has been still, open: a release")
    rows.add(key, "bouncing", "still", after=wait,
             note="the contact is still where it was: nothing happened")
    return region_of(f"{name}.contact", "buttons", rows)


def _sampling(name: str, button: Button, down: Inside) -> Region:
    closed = Flag(f"{name}.closed")
    differs = Any((All((closed, Not(down))), All((Not(closed), down))))
    count, every = button.samples, button.sample_every.ns
    counted = [f"bouncing.{k}" for k in range(1, count)]
    rows = Rows(
        (
            State(name="still"),
            State(name="reading", awake=True),
            *(State(name=state, awake=True) for state in counted),
        )
    )
    key, read = f"buttons.{name}.samples", f"buttons.{name}.sample_every"
    rows.add(read, "still", "reading", after=every, note="time to read the contact")
    for k, state in enumerate(["reading", *counted], start=1):
        after = 0 if state == "reading" else every
        if k < count:
            rows.add(key, state, f"bouncing.{k}", after=after, when=differs,
                     note=f"{k} of {count} equal reads")
        else:
            rows.add(key, state, "still", after=after, when=All((closed, Not(down))),
                     emit=(f"{name}.press",), note=f"read closed {count} times in a row: a press")
            rows.add(key, state, "still", after=after, when=All((Not(closed), down)),
                     emit=(f"{name}.release",), note=f"read open {count} times in a row: a release")
        rows.add(key, state, "still", after=after, note="read as it was: the count starts anew")
    return region_of(f"{name}.contact", "buttons", rows)


def _gesture(name: str, button: Button, chords: Mapping[str, Chord]) -> Region:
    key = f"buttons.{name}"
    states = _gesture_states(button, chords)
    rows = Rows(State(name=state) for state in states)
    press, release = f"{name}.press", f"{name}.release"
    for chord in chords:
        rows.add(f"chords.{chord}", "up", "held", on=press,
                 when=Inside(chord, frozenset({"active"}), f"{chord}.active"),
                 note="pressed again while the chord lasts: neither click nor hold")
    rows.add(key, "up", "down", on=press, note="pressed")
    if button.double is not None and not chords:
        rows.add(f"{key}.double", "waiting", "held", on=press, emit=(f"{name}.double",),
                 note="pressed again in time: a double click")
    elif button.double is not None:
        # What else settles in this instant decides whether it is the last press of a chord.
        apart = [Not(Inside(chord, frozenset({"active"}), f"{chord}.active")) for chord in chords]
        rows.add(f"{key}.double", "waiting", "again", on=press,
                 note="pressed again in time: a double click, or the last press of a chord")
        rows.add(f"{key}.double", "again", "held", after=0,
                 when=apart[0] if len(apart) == 1 else All(tuple(apart)),
                 emit=(f"{name}.double",), note="no chord has come of it: a double click")
        rows.add(f"{key}.double", "again", "held", after=0,
                 note="part of a chord: no double click")
    for chord in chords:
        rows.add(f"chords.{chord}", "down", "held", on=f"{chord}.chord",
                 note="part of a chord: neither click nor hold")
    if button.hold is not None:
        rows.add(f"{key}.hold", "down", "held", after=button.hold.ns, emit=(f"{name}.hold",),
                 note="pressed for long: a hold, and no click to follow")
    if "held" in states:
        rows.add(key, "held", "up", on=release, note="released without a click")
    if button.double is None:
        rows.add(key, "down", "up", on=release, emit=(f"{name}.click",), note="released: a click")
    else:
        rows.add(f"{key}.double", "down", "waiting", on=release,
                 note="released: wait whether a second press follows")
        rows.add(f"{key}.double", "waiting", "up", after=button.double.ns, emit=(f"{name}.click",),
                 note="no second press in time: a click")
    return region_of(f"{name}.gesture", "buttons", rows)


def chord_parts(name: str, chord: Chord, gadget: Gadget) -> Stock:
    """What tells of buttons that are pressed together."""
    key = f"chords.{name}"
    # The checks of names tell of a button that is not there; they need the rows all the same.
    down = {
        button: pressed(button, gadget.buttons.get(button, Button()),
                        _chords_of(button, gadget.chords))
        for button in chord.buttons
    }
    every = tuple(down.values())
    rows = Rows(State(name=state) for state in ("idle", "started", "active"))
    for button in chord.buttons:
        others = tuple(Not(down[other]) for other in chord.buttons if other != button)
        alone: Expression = others[0] if len(others) == 1 else All(others)
        press = f"{button}.press"
        rows.add(f"{key}.buttons", "idle", "started", on=press, when=alone,
                 note=f"{button} is the first of the chord")
        rows.add(f"{key}.buttons", "started", "active", on=press, when=All(every),
                 emit=(f"{name}.chord",), note=f"{button} is the last of the chord, in time")
        rows.add(f"{key}.within", "started", "started", on=press, when=alone,
                 note=f"{button} is the first of the chord again: the time starts anew")
    rows.add(f"{key}.within", "started", "idle", after=chord.within.ns,
             note="not all buttons came in time")
    for button in chord.buttons:
        rows.add(f"{key}.buttons", "active", "idle", on=f"{button}.release",
                 when=All(tuple(Not(part) for part in every)), note="all buttons are released")
    return Stock(
        regions=(region_of(name, "chords", rows),),
        conditions=(),
        events=(f"{name}.chord",),
        internal_events=(),
        raw_events=(),
        aliases={},
        shorthands={},
        flags=(),
    )
