"""Stock regions of buttons and chords: contacts, gestures, presses that belong together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from simfw.behaviour.region import Region, State
from simfw.behaviour.stock_parts import Rows, Stock, region_of
from simfw.behaviour.tree import All, Any, Expression, Flag, Inside, Not
from simfw.gadget.model import Button, Chord, Gadget

__all__ = ["button_parts", "chord_parts", "count_event", "pressed"]


def pressed(name: str, button: Button, chords: Mapping[str, Chord]) -> Inside:
    """The button counts as pressed: from the settled press to the settled release."""
    down = [state for state in _gesture_states(button, chords)
            if state.partition(".")[0] not in ("up", "waiting")]
    return Inside(f"{name}.gesture", frozenset(down), f"{name}.pressed")


def _counted(state: str, count: int) -> str:
    """`down`, `down.2`, ...: the state of the press of that count."""
    return state if count == 1 else f"{state}.{count}"


def _held_state(button: Button, event: str) -> str:
    """The state of a press that has reached one of its holds."""
    return "held" if len(button.hold_lengths) == 1 else f"held.{event}"


def _downs(button: Button) -> list[str]:
    """The states of a press of which nobody knows yet what it becomes."""
    waits = button.most_clicks == 2 and button.second_hold is not None
    return [_counted("down", k) for k in range(1, max(2, button.most_clicks + waits))]


def _gesture_states(button: Button, chords: Mapping[str, Chord]) -> list[str]:
    """The states of a gesture; `chords` are those of the button."""
    most, holds = button.most_clicks, button.hold_lengths
    states = ["up", *_downs(button)]
    if len(holds) == 1 or most > 1 or chords:
        states.append("held")
    states += [_held_state(button, event) for event, _ in holds] if len(holds) > 1 else []
    states += [_counted("waiting", k) for k in range(1, most)]
    if chords and _told_at_press(button):
        states.append("again")
    return states


def _told_at_press(button: Button) -> bool:
    """Whether the last press of the highest count is told at once, while it is down."""
    return button.most_clicks > 1 and _counted("down", button.most_clicks) not in _downs(button)


def _chords_of(name: str, chords: Mapping[str, Chord]) -> dict[str, Chord]:
    return {chord: part for chord, part in chords.items() if name in part.buttons}


def count_event(count: int) -> str:
    """What so many presses in a row are called."""
    return {1: "click", 2: "double"}.get(count, f"clicks{count}")


def button_parts(name: str, button: Button, chords: Mapping[str, Chord]) -> Stock:
    """Contact and gesture of a button, and what repeats while it is held."""
    mine = _chords_of(name, chords)
    events = ["press", "release", *(count_event(k) for k in range(1, button.most_clicks + 1))]
    events += [event for event, _ in button.hold_lengths]
    events += ["second_hold"] * (button.second_hold is not None)
    events += ["repeat"] * (button.repeat is not None)
    down = pressed(name, button, mine)
    build_contact = {"settle": _settling, "first-edge": _first_edge, "sample": _sampling}
    regions = [build_contact[button.style](name, button, down),
               _gesture(name, button, mine, _coming_about(chords))]
    if button.repeat is not None and button.hold_lengths:
        regions.append(_repeats(name, button.hold_lengths[0][0], button.repeat.ns, mine, down))
    return Stock(
        regions=tuple(regions),
        conditions=(),
        events=tuple(f"{name}.{event}" for event in events),
        internal_events=(),
        raw_events=(f"{name}.edge",),
        aliases={name: tuple(region.name for region in regions)},
        shorthands={f"{name}.pressed": down},
        flags=(f"{name}.closed",),
        contacts={name: False},
    )


class _Lengths:
    """How long a contact is kept an eye on after an edge: one state, or one for either edge."""

    def __init__(self, name: str, button: Button) -> None:
        key, release = f"buttons.{name}.debounce", button.debounce_release
        self.closing, self.opening = (
            ("bouncing",) * 2 if release is None else ("bouncing.closing", "bouncing.opening"))
        self.times = {self.closing: (key, button.debounce.ns)}
        if release is not None:
            self.times[self.opening] = (f"{key}_release", release.ns)
        self.states = (
            State(name="still"), *(State(name=state, awake=True) for state in self.times))


def _differs(name: str, down: Inside) -> tuple[Expression, Expression]:
    """The contact is closed and the button not yet pressed; it is open and still pressed."""
    closed = Flag(f"{name}.closed")
    return All((closed, Not(down))), All((Not(closed), down))


def _settling(name: str, button: Button, down: Inside) -> Region:
    closed, key = Flag(f"{name}.closed"), f"buttons.{name}.debounce"
    lengths = _Lengths(name, button)
    rows = Rows(lengths.states)
    everywhere = [state.name for state in lengths.states]
    note = "every edge of the contact starts the debounce time anew"
    if len(lengths.times) == 1:
        rows.add(key, everywhere, "bouncing", on=f"{name}.edge", note=note)
    else:
        rows.add(key, everywhere, lengths.closing, on=f"{name}.edge", when=closed, note=note)
        rows.add(f"{key}_release", everywhere, lengths.opening, on=f"{name}.edge",
                 when=Not(closed), note=note)
    closing, opening = _differs(name, down)
    for state, (timing, wait) in lengths.times.items():
        if state == lengths.closing:
            rows.add(timing, state, "still", after=wait, when=closing,
                     emit=(f"{name}.press",), note="the contact has been still, closed: a press")
        if state == lengths.opening:
            rows.add(timing, state, "still", after=wait, when=opening,
                     emit=(f"{name}.release",), note="the contact has been still, open: a release")
        rows.add(timing, state, "still", after=wait,
                 note="the contact is still where it was: nothing happened")
    return region_of(f"{name}.contact", "buttons", rows)


def _first_edge(name: str, button: Button, down: Inside) -> Region:
    key, lengths = f"buttons.{name}.debounce", _Lengths(name, button)
    rows = Rows(lengths.states)
    release = lengths.times[lengths.opening][0]
    closing, opening = _differs(name, down)
    rows.add(key, "still", lengths.closing, on=f"{name}.edge", when=closing,
             emit=(f"{name}.press",), note="the first edge counts: a press; then none for a while")
    rows.add(release, "still", lengths.opening, on=f"{name}.edge", when=opening,
             emit=(f"{name}.release",),
             note="the first edge counts: a release; then none for a while")
    for state, (timing, wait) in lengths.times.items():
        # Only what undoes the edge that has counted can stand at the end of its time.
        if state == lengths.opening:
            rows.add(timing, state, lengths.closing, after=wait, when=closing,
                     emit=(f"{name}.press",),
                     note="closed when the time ends: the press counts now")
        if state == lengths.closing:
            rows.add(timing, state, lengths.opening, after=wait, when=opening,
                     emit=(f"{name}.release",),
                     note="open when the time ends: the release counts now")
        rows.add(timing, state, "still", after=wait, note="the next edge counts again")
    return region_of(f"{name}.contact", "buttons", rows)


def _sampling(name: str, button: Button, down: Inside) -> Region:
    closing, opening = _differs(name, down)
    differs = Any((closing, opening))
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
            rows.add(key, state, "still", after=after, when=closing,
                     emit=(f"{name}.press",), note=f"read closed {count} times in a row: a press")
            rows.add(key, state, "still", after=after, when=opening,
                     emit=(f"{name}.release",), note=f"read open {count} times in a row: a release")
        rows.add(key, state, "still", after=after, note="read as it was: the count starts anew")
    return region_of(f"{name}.contact", "buttons", rows)


def _gesture(
    name: str, button: Button, chords: Mapping[str, Chord], live: Mapping[str, Inside]
) -> Region:
    """What the settled presses become. `live` tells when each chord has come about."""
    key, most, downs = f"buttons.{name}", button.most_clicks, _downs(button)
    states = _gesture_states(button, chords)
    rows = Rows(State(name=state) for state in states)
    press, release = f"{name}.press", f"{name}.release"
    for chord in chords:
        rows.add(f"chords.{chord}", "up", "held", on=press, when=live[chord],
                 note="pressed again while the chord lasts: neither click nor hold")
    rows.add(key, "up", "down", on=press, note="pressed")
    for count in range(2, most + 1):
        _add_press(rows, name, button, count, [Not(live[chord]) for chord in chords])
    holding = [state for state in states if state.startswith("held.")]
    for chord in chords:
        rows.add(f"chords.{chord}", (*downs, *holding), "held", on=f"{chord}.chord",
                 note="part of a chord: neither click nor hold")
    before, passed = "down", 0
    for event, timing in button.hold_lengths:
        state = _held_state(button, event)
        rows.add(button.hold_key(name, event), before, state, after=timing.ns - passed,
                 emit=(f"{name}.{event}",), note="pressed for long: a hold, and no click to follow"
                 if not passed else "pressed for still longer: the next hold")
        before, passed = state, timing.ns
    if button.second_hold is not None:
        rows.add(f"{key}.second_hold", "down.2", "held", after=button.second_hold.ns,
                 emit=(f"{name}.second_hold",), note="the second press lasts: that, and no double")
    held = [state for state in states if state.partition(".")[0] == "held"]
    if held:
        rows.add(key, held, "up", on=release, note="released without a click")
    for count, state in enumerate(downs, start=1):
        _add_release(rows, name, button, count, state)
    return region_of(f"{name}.gesture", "buttons", rows)


def _count_key(button: Button, count: int) -> str:
    return "double" if count == 2 or button.clicks is None else "clicks"


def _add_press(
    rows: Rows, name: str, button: Button, count: int, apart: Sequence[Expression]
) -> None:
    """What the second, third ... press in time does. `apart`: none of the chords has come about."""
    key = f"buttons.{name}.{_count_key(button, count)}"
    before, press, state = _counted("waiting", count - 1), f"{name}.press", _counted("down", count)
    event = f"{name}.{count_event(count)}"
    what = "a double click" if count == 2 else f"{count} clicks"
    if state in _downs(button):
        rows.add(key, before, state, on=press,
                 note="pressed again in time: wait what becomes of it")
    elif not apart:
        rows.add(key, before, "held", on=press, emit=(event,),
                 note=f"pressed again in time: {what}")
    else:
        # What else settles in this instant decides whether it is the last press of a chord.
        rows.add(key, before, "again", on=press,
                 note=f"pressed again in time: {what}, or the last press of a chord")
        rows.add(key, "again", "held", after=0,
                 when=apart[0] if len(apart) == 1 else All(tuple(apart)), emit=(event,),
                 note=f"no chord has come of it: {what}")
        rows.add(key, "again", "held", after=0,
                 note=f"part of a chord: no {what.removeprefix('a ')}")


def _add_release(rows: Rows, name: str, button: Button, count: int, state: str) -> None:
    """What the release of the press of a count does, and the end of the window after it."""
    key, release = f"buttons.{name}", f"{name}.release"
    event, window = (f"{name}.{count_event(count)}",), button.double
    if count == button.most_clicks or window is None:
        rows.add(key if count == 1 else f"{key}.{_count_key(button, count)}", state, "up",
                 on=release, emit=event,
                 note="released: a click" if count == 1 else "released: a double click")
        return
    following = {1: "a second", 2: "a third"}.get(count, f"one more than {count}")
    waiting, key = _counted("waiting", count), f"{key}.double"
    rows.add(key, state, waiting, on=release, note=f"released: wait whether {following} press "
             "follows")
    rows.add(key, waiting, "up", after=window.ns, emit=event,
             note=f"no {following.removeprefix('a ')} press in time: "
             + {1: "a click", 2: "a double click"}.get(count, f"{count} clicks"))


def _repeats(
    name: str, hold: str, period_ns: int, chords: Mapping[str, Chord], down: Inside
) -> Region:
    key = f"buttons.{name}.repeat"
    rows = Rows((State(name="quiet"), State(name="repeating")))
    # A press that is let go in the very instant of its hold repeats nothing.
    rows.add(key, "quiet", "repeating", on=f"{name}.{hold}", when=down,
             note="held: the first repeat comes one period later")
    rows.add(key, "repeating", "repeating", after=period_ns, emit=(f"{name}.repeat",),
             note="still held")
    rows.add(key, "repeating", "quiet", on=f"{name}.release", note="released")
    for chord in chords:
        rows.add(f"chords.{chord}", "repeating", "quiet", on=f"{chord}.chord",
                 note="part of a chord: no more repeats")
    return region_of(f"{name}.repeats", "buttons", rows)


# -- chords ----------------------------------------------------------------------------------------


def _larger(name: str, chords: Mapping[str, Chord]) -> list[str]:
    """The chords of more buttons that share a button with this one: they win over it."""
    mine = set(chords[name].buttons)
    return [other for other, chord in chords.items()
            if len(chord.buttons) > len(mine) and mine & set(chord.buttons)]


def _contested(name: str, chords: Mapping[str, Chord]) -> bool:
    """Whether the chord wins over another or another over it: then it is told a moment later."""
    return bool(_larger(name, chords)) or any(name in _larger(one, chords) for one in chords)


def _coming_about(chords: Mapping[str, Chord]) -> dict[str, Inside]:
    """For each chord, that it has come about, whether that has been told or not."""
    return {
        name: Inside(name, frozenset({"together", "active"}), f"{name}.begun")
        if _contested(name, chords) else Inside(name, frozenset({"active"}), f"{name}.active")
        for name in chords
    }


def _complete(name: str) -> Inside:
    """All buttons of the chord came in time, whether it has won or not."""
    return Inside(name, frozenset({"together", "taken", "active"}), f"{name}.complete")


def chord_parts(name: str, chord: Chord, gadget: Gadget) -> Stock:
    """What tells of buttons that are pressed together."""
    key, contested = f"chords.{name}", _contested(name, gadget.chords)
    # The checks of names tell of a button that is not there; they need the rows all the same.
    down = {
        button: pressed(button, gadget.buttons.get(button, Button()),
                        _chords_of(button, gadget.chords))
        for button in chord.buttons
    }
    every, told = tuple(down.values()), (f"{name}.chord",)
    rows = Rows(State(name=state) for state in (
        "idle", "started", *(("together", "taken") if contested else ()), "active"))
    for button in chord.buttons:
        others = tuple(Not(down[other]) for other in chord.buttons if other != button)
        alone: Expression = others[0] if len(others) == 1 else All(others)
        press = f"{button}.press"
        rows.add(f"{key}.buttons", "idle", "started", on=press, when=alone,
                 note=f"{button} is the first of the chord")
        rows.add(f"{key}.buttons", "started", "together" if contested else "active", on=press,
                 when=All(every), emit=() if contested else told,
                 note=f"{button} is the last of the chord, in time")
        rows.add(f"{key}.within", "started", "started", on=press, when=alone,
                 note=f"{button} is the first of the chord again: the time starts anew")
    shorthands = {}
    if contested:
        shorthands = {f"{name}.begun": _coming_about(gadget.chords)[name],
                      f"{name}.complete": _complete(name)}
        larger = [_complete(other) for other in _larger(name, gadget.chords)]
        if larger:
            rows.add(f"{key}.buttons", "together", "taken", after=0,
                     when=larger[0] if len(larger) == 1 else Any(tuple(larger)),
                     note="a larger chord that shares a button is complete: that one wins")
        rows.add(f"{key}.buttons", "together", "active", after=0, emit=told,
                 note="no larger chord that shares a button is complete")
    rows.add(f"{key}.within", "started", "idle", after=chord.within.ns,
             note="not all buttons came in time")
    for button in chord.buttons:
        rows.add(f"{key}.buttons", ("taken", "active") if contested else "active", "idle",
                 on=f"{button}.release", when=All(tuple(Not(part) for part in every)),
                 note="all buttons are released")
    return Stock(
        regions=(region_of(name, "chords", rows),),
        conditions=(),
        events=told,
        internal_events=(),
        raw_events=(),
        aliases={},
        shorthands=shorthands,
        flags=(),
    )
