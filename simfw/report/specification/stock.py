"""Requirements of the stock regions, each about what the part is and not about one of its rows.

A button is a contact that must keep still and the gestures made of it; a gauge is a comparator with
thresholds. Every row of a stock region belongs to the sentence that describes it, so that vectors
and findings about a row lead there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from simfw.behaviour.region import Group, Region, Row, System
from simfw.behaviour.stock import SAMPLED, burst_ns, gauge_quantity
from simfw.behaviour.stock_buttons import count_event
from simfw.gadget.figures import figure_text
from simfw.gadget.model import Button, Gadget, Gauge, Measure, Proximity, Toggle
from simfw.report.specification.dials import dial_requirements
from simfw.report.specification.requirements import Numbers, Pattern, Requirement, span
from simfw.report.specification.windows import Corners
from simfw.report.specification.words import in_words
from simfw.vectors.items import HELD

__all__ = ["DESCRIBED", "Maker", "stock_requirements"]

DESCRIBED: tuple[Group, ...] = (
    "buttons", "chords", "toggles", "proximity", "measures", "charge", "gauge",
    "dials")  # fmt: skip
"""The groups of regions that are told as what they are; any other is told by its rows."""


class Maker:
    """Makes the sentences of one gadget's stock regions, and sees that no row is left out."""

    def __init__(self, system: System, corners: Corners, numbers: Numbers) -> None:
        self.system = system
        self.corners = corners
        self.numbers = numbers
        self.found: list[Requirement] = []

    def rows(self, region: str) -> tuple[Row, ...]:
        """The rows of the region called `region`."""
        return self.system.region(region).rows

    def add(
        self, part: str, what: str, pattern: Pattern, text: str, rows: Iterator[Row] | list[Row], *,
        pins: tuple[str, ...] = (), stem: str = "", items: tuple[str, ...] = (),
        seen: Callable[[Row], bool] = lambda _row: True,
    ) -> None:
        """Add a sentence about `rows`; those for which `seen` is true show it when they fire."""
        rows = list(rows)
        self.found.append(Requirement(
            number=self.numbers.of(stem or part, part, what), pattern=pattern, text=text,
            origin=", ".join(dict.fromkeys(row.key.partition("#")[0] for row in rows)) or part,
            part=part, keys=tuple(row.key for row in rows),
            shown=tuple(row.key for row in rows if seen(row)), pins=pins, items=items,
        ))  # fmt: skip


def stock_requirements(
    gadget: Gadget, system: System, corners: Corners, numbers: Numbers
) -> list[Requirement]:
    """The sentences, in the order of the stock regions."""
    make = Maker(system, corners, numbers)
    for name, button in gadget.buttons.items():
        _contact(make, name, button)
        _gesture(make, gadget, name, button)
    for name in gadget.chords:
        _chord(make, gadget, name)
    for name, toggle in gadget.read_toggles.items():
        _toggle(make, name, toggle)
    for name, sensor in gadget.proximity.items():
        _sensor(make, name, sensor)
    for name, measure in gadget.measures.items():
        _measure(make, name, measure)
    if gadget.charger is not None:
        _charge(make, system.region("charge"))
    if gadget.gauge is not None:
        _gauge(make, gadget.gauge)
    for name, dial in gadget.dials.items():
        dial_requirements(make, name, dial, system.region(name))
    return make.found


def _emits(rows: tuple[Row, ...], *events: str) -> list[Row]:
    return [row for row in rows if set(row.emit) & set(events)]


def _quiet(rows: tuple[Row, ...]) -> list[Row]:
    return [row for row in rows if not row.emit]


def _contact(make: Maker, name: str, button: Button) -> None:
    part, rows, pins = f"{name}.contact", make.rows(f"{name}.contact"), (name,)
    sampled = button.style == "sample"
    if sampled:
        every = span(make.corners.timing(button.sample_every))
        make.add(part, "read", "always", f"The firmware shall read contact `{name}` every {every}, "
                 "first that long after power-up.",
                 [row for row in rows if "reading" in (row.to, *row.sources)], pins=pins)
    for event, level, state in (("press", "closed", f"`{name}.pressed` does not hold"),
                                ("release", "open", f"`{name}.pressed` holds")):
        if sampled:
            cause = (f"{button.samples} reads of contact `{name}` in a row have found it {level}"
                     if button.samples > 1 else f"a read finds contact `{name}` {level}")
        elif button.style == "first-edge":
            cause = (f"contact `{name}` is found {level} at an edge, or at the end of the time for "
                     "which its edges are ignored,")
        else:
            release = button.debounce_release
            timing = button.debounce if event == "press" or release is None else release
            still = span(make.corners.timing(timing))
            cause = (f"{still} have passed since an edge of contact `{name}` without another, the "
                     f"contact is {level}")
        make.add(part, event, "when", f"When {cause} and {state}, the firmware shall emit "
                 f"`{name}.{event}`.", _emits(rows, f"{name}.{event}"), pins=pins)  # fmt: skip
    if sampled:
        text = (f"If a read finds contact `{name}` as the button counts already, then the firmware "
                "shall begin its count of reads anew.")  # fmt: skip
    elif button.style == "first-edge":
        text = (f"When `{name}.press` or `{name}.release` has been emitted, the firmware shall "
                f"ignore the edges of contact `{name}` for {_either(make, button)}.")
    else:
        release = button.debounce_release
        passed = f"{span(make.corners.timing(button.debounce))} have passed since "
        passed += f"an edge of contact `{name}`" if release is None else (
            f"contact `{name}` closed, or {span(make.corners.timing(release))} since it opened,")
        text = (f"If {passed} without another{'' if release is None else ' edge'}, and it is "
                f"closed while `{name}.pressed` holds or open while it does not, then the firmware "
                "shall emit nothing.")
    known = {key for one in make.found if one.part == part for key in one.keys}
    make.add(part, "blip", "when" if button.style == "first-edge" else "if", text,
             [row for row in rows if row.key not in known], pins=pins,
             seen=lambda row: row.on is None)  # fmt: skip
    if not sampled:
        make.add(part, "power", "if", f"If contact `{name}` is closed before power-up, then the "
                 f"firmware shall take `{name}.pressed` not to hold, and emit nothing for the "
                 "contact before its first edge.", [], pins=pins, items=(HELD,))  # fmt: skip


def _either(make: Maker, button: Button) -> str:
    """The time of a contact, or both where that of the opening edge differs."""
    time, release = span(make.corners.timing(button.debounce)), button.debounce_release
    if release is None:
        return time
    return f"{time} after a press and {span(make.corners.timing(release))} after a release"


def _gesture(make: Maker, gadget: Gadget, name: str, button: Button) -> None:
    part, rows, pins = f"{name}.gesture", make.rows(f"{name}.gesture"), (name,)
    chords = [chord for chord, parts in gadget.chords.items() if name in parts.buttons]
    quiet = _quiet(rows)
    ends = [row for row in quiet if row.on == f"{name}.release" and row.to == "up"]
    of_chord = [row for row in quiet if row.on in {f"{chord}.chord" for chord in chords}
                or (row.on == f"{name}.press" and row.to == "held")]  # fmt: skip
    click = _emits(rows, f"{name}.click")
    begun = [row for row in quiet if row.sources == ("up",) and row.to == "down"]
    holds = bool(button.hold_lengths)
    if button.double is None:
        less = ["a hold"] * holds + ["part of a chord"] * bool(chords)
        but = f" and the press was {_none_of(less)}" if less else ""
        make.add(part, "click", "when", f"When `{name}.release` occurs{but}, the firmware shall "
                 f"emit `{name}.click`.", [*click, *begun], pins=pins,
                 seen=lambda row: row in click)  # fmt: skip
    elif button.most_clicks > 2 or button.second_hold is not None:
        _counted(make, name, button, bool(chords))
    else:
        window = span(make.corners.timing(button.double))
        less = ["a hold"] * holds + ["part of a chord"] * bool(chords)
        but = f" of a press that was neither a double click nor {in_words(less, 'nor')}" if less \
            else " of a press that was no double click"  # fmt: skip
        waits = [row for row in quiet if row.to == "waiting"]
        make.add(part, "click", "when", f"When {window} have passed since a `{name}.release`{but}, "
                 f"with no `{name}.press` before that instant, the firmware shall emit "
                 f"`{name}.click`.",
                 [*click, *begun, *waits], pins=pins, seen=lambda row: row in click)  # fmt: skip
        again = [row for row in quiet if "again" in (row.to, *row.sources)]
        no_chord = ", and that press is not the last of a chord" if chords else ""
        make.add(part, "double", "when", f"When `{name}.press` occurs less than {window} after a "
                 f"`{name}.release`{but}{no_chord}, the firmware shall emit `{name}.double`.",
                 [*_emits(rows, f"{name}.double"), *again], pins=pins,
                 seen=lambda row: f"{name}.double" in row.emit)  # fmt: skip
    for event, timing in button.hold_lengths:
        time = span(make.corners.timing(timing))
        what = " that was no double click" if button.most_clicks == 2 else (
            " that was the first in a row" if button.most_clicks > 2 else "")
        make.add(part, event, "when", f"When {time} have passed since a `{name}.press`{what}, "
                 f"with no `{name}.release`{' and no chord' * bool(chords)} before that instant, "
                 f"the firmware shall emit `{name}.{event}`.",
                 _emits(rows, f"{name}.{event}"), pins=pins)  # fmt: skip
    if button.repeat is not None:
        hold, time = button.hold_lengths[0][0], span(make.corners.timing(button.repeat))
        mine = make.rows(f"{name}.repeats")
        make.add(f"{name}.repeats", "repeat", "when", f"When {time} have passed since "
                 f"`{name}.{hold}` or the last `{name}.repeat`, with no `{name}.release`"
                 + (" and no chord" if chords else "") + " in the instant of that event or between "
                 f"it and this instant, the firmware shall emit `{name}.repeat`.",
                 list(mine), pins=pins,
                 seen=lambda row: bool(row.emit))  # fmt: skip
    less = ["a hold"] * holds + ["a double click"] * (button.most_clicks == 2) + [
        "the highest count"] * (button.most_clicks > 2) + ["a second hold"] * (
        button.second_hold is not None)  # fmt: skip
    if chords:
        make.add(part, "chord", "if", f"If a press of `{name}` is part of "
                 f"{in_words((f'chord `{chord}`' for chord in chords), 'or')}, or comes while it "
                 f"lasts, then the firmware shall emit `{name}.press` and `{name}.release` for it "
                 f"and no other event of `{name}`, up to and with that release.",
                 of_chord if less else [*of_chord, *ends], pins=pins)  # fmt: skip
    if less:
        make.add(part, "ends", "if", f"If `{name}.release` ends {in_words(less, 'or')}, then the "
                 f"firmware shall emit no `{name}.click` for it.", ends, pins=pins)  # fmt: skip


def _counted(make: Maker, name: str, button: Button, chords: bool) -> None:
    """Presses in a row: those that wait for one more, and the highest count."""
    assert button.double is not None
    part, rows, pins = f"{name}.gesture", make.rows(f"{name}.gesture"), (name,)
    window, most = span(make.corners.timing(button.double)), button.most_clicks
    but = " and no chord has come of it" if chords else ""
    for count in range(1, most + 1):
        event = f"{name}.{count_event(count)}"
        mine = _emits(rows, event)
        ways = {row.to for row in rows if row.on == f"{name}.press"
                and row.sources == ("waiting" if count == 2 else f"waiting.{count - 1}",)}
        if count < most:
            down = {"down" if count == 1 else f"down.{count}"}
            wait = {row.to for row in rows if row.on == f"{name}.release"
                    and set(row.sources) & down}
            more = [row for row in rows if not row.emit and row.to in down | wait
                    and row.on in (f"{name}.press", f"{name}.release")]
            text = (f"When {window} have passed since the `{name}.release` of press {count} in a "
                    f"row, with no `{name}.press` before that instant, the firmware shall emit "
                    f"`{event}`.")
        elif ways & {"held", "again"}:
            more = [row for row in rows if "again" in (row.to, *row.sources) and not row.emit]
            text = (f"When `{name}.press` is number {count} in a row, each less than {window} "
                    f"after the `{name}.release` before it{but}, the firmware shall emit "
                    f"`{event}`.")
        else:
            more = [row for row in rows if not row.emit and row.to in ways]
            text = (f"When `{name}.release` ends press {count} in a row, begun less than {window} "
                    f"after the `{name}.release` before it{but}, the firmware shall emit "
                    f"`{event}`.")
        make.add(part, count_event(count), "when", text, [*mine, *more], pins=pins,
                 seen=lambda row, mine=mine: row in mine)  # type: ignore[misc]  # fmt: skip
    if button.second_hold is not None:
        time = span(make.corners.timing(button.second_hold))
        make.add(part, "second_hold", "when", f"When {time} have passed since press 2 in a row of "
                 f"`{name}`, with no `{name}.release`{' and no chord' * chords} before that "
                 f"instant, the firmware shall emit `{name}.second_hold` and no click or double "
                 "for these presses.", _emits(rows, f"{name}.second_hold"), pins=pins)  # fmt: skip


def _toggle(make: Maker, name: str, toggle: Toggle) -> None:
    rows, still = make.rows(name), span(make.corners.timing(toggle.debounce))
    for event, level, position in (("closed", "closed", "on"), ("opened", "open", "off")):
        mine = _emits(rows, f"{name}.{event}")
        make.add(name, event, "when", f"When toggle `{name}` has been {level} without a change "
                 f"for {still}, counted from power-up at the earliest, and `{name}.{position}` "
                 f"does not hold, the firmware shall emit `{name}.{event}` and take `{name}` for "
                 f"{position}.", mine, pins=(name,))  # fmt: skip
    make.add(name, "blip", "if", f"If toggle `{name}` has kept for {still} the position that "
             "it is taken for already, then the firmware shall emit nothing.",
             [row for row in rows if not row.emit], pins=(name,),
             seen=lambda row: row.on is None)  # fmt: skip


def _none_of(things: list[str]) -> str:
    """`not a hold`, or `neither a hold nor part of a chord`."""
    return f"not {things[0]}" if len(things) == 1 else f"neither {in_words(things, 'nor')}"


def _chord(make: Maker, gadget: Gadget, name: str) -> None:
    chord, rows = gadget.chords[name], make.rows(name)
    pins = chord.buttons
    first = in_words((f"`{button}.press`" for button in pins), "or")
    time = span(make.corners.timing(chord.within))
    told = _emits(rows, f"{name}.chord")
    lost = [row for row in rows if row.to == "taken"]
    comes = [row for row in rows if row.sources == ("idle",) or row.to == "together"]
    make.add(name, "chord", "when", f"When less than {time} after a {first} at which no other of "
             "them was pressed all of them are pressed together, the firmware shall emit "
             f"`{name}.chord` with the last press.",
             [*told, *comes], pins=pins, seen=lambda row: row in told)  # fmt: skip
    if lost:
        make.add(name, "lost", "if", f"If all buttons of `{name}` are pressed together while a "
                 "chord of more buttons that shares one with it is complete, or in the instant in "
                 f"which it becomes so, then the firmware shall emit no `{name}.chord`.", lost,
                 pins=pins)  # fmt: skip
    late = [row for row in rows if not row.emit and row.sources == ("started",)
            and row not in comes]
    make.add(name, "late", "if", f"If {in_words(f'`{button}`' for button in pins)} are not all "
             f"pressed in less than {time}, then the firmware shall emit no `{name}.chord` until "
             "one of them is pressed while no other is.",
             late, pins=pins)  # fmt: skip
    make.add(name, "over", "if", f"If `{name}.chord` has been emitted, then the firmware shall "
             f"emit none again until {in_words(f'`{button}`' for button in pins)} have all been "
             "released.",
             [row for row in rows if "active" in row.sources], pins=pins)  # fmt: skip


def _sensor(make: Maker, name: str, sensor: Proximity) -> None:
    look, field = make.rows(f"{name}.look"), make.rows(f"{name}.field")
    part, pins = name, (f"{name}.receiver", f"{name}.emitter")
    times, agree = make.corners, sensor.agree
    while_ = f"While `{sensor.enabled}` holds, the" if sensor.enabled else "The"
    burst = make.corners.of(burst_ns(sensor), burst_ns(sensor), burst_ns(sensor))
    begins = [row for row in look if row.to == "settling"]
    # A sensor that is always wanted has the rows of its end all the same; nothing raises them.
    never = [row for row in (*look, *field)
             if sensor.enabled is None and row.on == f"{name}.disable"]
    make.add(part, "every", "while" if sensor.enabled else "always",
             f"{while_} firmware shall begin a look of `{name}` every "
             f"{span(times.timing(sensor.every))}, from beginning to beginning"
             + (", the first in the instant in which that begins to hold." if sensor.enabled
                else ", the first at power-up."), [*begins, *never], pins=pins,
             stem=f"{name}.look", seen=lambda row: row in begins)  # fmt: skip
    make.add(part, "look", "when", f"When a look of `{name}` begins, the firmware shall supply the "
             f"receiver for {span(times.timing(sensor.settle))} and then, with the burst, for "
             f"{span(burst)} more, and at no other time.",
             [row for row in look if row.to == "emitting"], pins=pins[:1], stem=f"{name}.look",
             items=tuple(f"drive {name}.look:{state}" for state in ("settling", "emitting")))
    make.add(part, "burst", "when", f"When the receiver of `{name}` has settled, the firmware "
             f"shall drive the emitter with {sensor.burst} cycles of {figure_text(sensor.carrier)} "
             f"at {figure_text(sensor.duty)} duty, and at no other time.",
             [row for row in look if row.to == "emitting"], pins=pins[1:], stem=f"{name}.look",
             items=(f"drive {name}.look:emitting",))
    judged = [row for row in look if row.sources == ("emitting",) and row.on is None]
    make.add(part, "judge", "when", f"When the burst of `{name}` ends, the firmware shall take the "
             "look for an echo if the receiver answers at that moment, and for a miss otherwise.",
             judged, pins=(f"{name}.echo",), stem=f"{name}.look")  # fmt: skip
    if sensor.enabled is not None:
        make.add(part, "disable", "when", f"When `{sensor.enabled}` ceases to hold, the firmware "
                 f"shall end a look of `{name}` at once, unjudged.",
                 [row for row in look if row.on == f"{name}.disable"], pins=pins,
                 stem=f"{name}.look")  # fmt: skip
        make.add(part, "forget", "when", f"When `{sensor.enabled}` ceases to hold, the firmware "
                 f"shall forget count, near and re-arm time of `{name}`: its field is clear, and "
                 f"no `{name}.far` is emitted.",
                 [row for row in field if row.on == f"{name}.disable"], pins=(f"{name}.echo",),
                 stem=f"{name}.field")  # fmt: skip
    echoes = "an echo is found" if agree == 1 else f"{agree} echoes in a row are found"
    misses = "a miss is found" if agree == 1 else f"{agree} misses in a row are found"
    near = _emits(field, f"{name}.near")
    quiet = [row for row in field if not row.emit and row.on in (f"{name}.hit", f"{name}.miss")]

    def of(family: str) -> list[Row]:
        return [row for row in quiet if row.sources[0].split(".")[0] == family]

    echo = (f"{name}.echo",)
    make.add(part, "near", "when", f"When {echoes} while `{name}.near` does not hold, the firmware "
             f"shall emit `{name}.near`.", [*near, *of("clear")], pins=echo,
             stem=f"{name}.field", seen=lambda row: row in near)  # fmt: skip
    waves = _emits(field, f"{name}.wave")
    make.add(part, "wave", "when", f"When `{name}.near` is emitted and the field was clear, the "
             f"firmware shall emit `{name}.wave` after it.", waves, pins=echo,
             stem=f"{name}.field")  # fmt: skip
    far = _emits(field, f"{name}.far")
    make.add(part, "far", "when", f"When {misses} while `{name}.near` holds, the firmware shall "
             f"emit `{name}.far`.", [*far, *of("near")], pins=echo,
             stem=f"{name}.field", seen=lambda row: row in far)  # fmt: skip
    clear = [row for row in field if row.on is None]
    since = f"`{name}.far`" if agree == 1 else (
        f"`{name}.far`, or since the miss that followed a later echo,")  # fmt: skip
    make.add(part, "clear", "when", f"When {span(times.timing(sensor.clear))} have passed since "
             f"{since} without an echo, the firmware shall take the field of `{name}` for clear.",
             [*clear, *of("blocked")], pins=echo, stem=f"{name}.field",
             seen=lambda row: row in clear)  # fmt: skip


def _measure(make: Maker, name: str, measure: Measure) -> None:
    look, rows, times = make.rows(f"{name}.look"), make.rows(name), make.corners
    inside, supply = (name,), (f"{name}.supply",) if measure.supply is not None else ()
    while_ = f"While `{measure.enabled}` holds, the" if measure.enabled else "The"
    settled = [row for row in look if row.sources == ("settling",) and row.on is None]
    make.add(name, "every", "while" if measure.enabled else "always",
             f"{while_} firmware shall begin a measurement of `{name}` every "
             f"{span(times.timing(measure.every))}, from beginning to beginning"
             + (", the first in the instant in which that begins to hold." if measure.enabled
                else ", the first at power-up."),
             [row for row in look if row.to == "settling"], pins=(*supply, name))  # fmt: skip
    make.add(name, "judge", "when", f"When {span(times.timing(measure.settle))} have passed since "
             f"the beginning of a measurement of `{name}`, the firmware shall judge the value "
             "that is there then.",
             settled, pins=inside)  # fmt: skip
    if supply:
        make.add(name, "supply", "while", f"While a measurement of `{name}` has begun and is not "
                 f"judged, the firmware shall drive `{name}.supply`, and at no other time.",
                 settled, pins=supply, items=(f"drive {name}.look:settling",))  # fmt: skip
    if measure.enabled is not None:
        make.add(name, "disable", "when", f"When `{measure.enabled}` ceases to hold, the firmware "
                 f"shall end a measurement of `{name}` at once, unjudged unless its time ends in "
                 "this very instant, and begin its count of measurements in a row anew; what is "
                 "passed stays so.",
                 [row for row in (*look, *rows) if row.on == f"{name}.disable"],
                 pins=(*supply, name))  # fmt: skip
    if not measure.thresholds:
        return
    row_of = ("a measurement is" if measure.agree == 1
              else f"{measure.agree} measurements in a row are")  # fmt: skip
    up, down = _emits(rows, f"{name}.up"), _emits(rows, f"{name}.down")
    make.add(name, "up", "when", f"When {row_of} at or above the return level of a threshold that "
             "is not passed, the firmware shall take the thresholds up to the highest that the "
             f"last of them returns for passed, and emit one `{name}.up`.", up,
             pins=inside)  # fmt: skip
    make.add(name, "down", "when", f"When {row_of} below a threshold that is passed, the firmware "
             "shall take only the thresholds that the last of them does not undercut for passed, "
             f"and emit one `{name}.down`.", down, pins=inside)  # fmt: skip
    known = {row.key for row in (*up, *down)}
    rest = [row for row in rows if row.key not in known and row.on != f"{name}.disable"]
    if rest:
        make.add(name, "anew", "if", f"If a measurement of `{name}` does not say what the one "
                 "before it said (more, less, or as it was), or that one has changed what is "
                 "passed, then the firmware shall count from it anew.", rest,
                 pins=inside)  # fmt: skip


_CHARGE = {
    "usb.in": "USB power arrives",
    "usb.out": "USB power goes",
}


def _charge(make: Maker, region: Region) -> None:
    rows = region.rows
    pins = {"usb.in": ("usb",), "usb.out": ("usb",)}
    for event in dict.fromkeys(event for row in rows for event in row.emit):
        mine = _emits(rows, event)
        if event in _CHARGE:
            sources = dict.fromkeys(f"`{one}`" for row in mine for one in row.sources)
            text = (f"When {_CHARGE[event]} while `charge` is in {in_words(sources, 'or')}, the "
                    f"firmware shall emit "
                    f"`{event}` and take `charge` to `{mine[0].to}`.")  # fmt: skip
        else:
            found: dict[str, dict[str, None]] = {}
            for row in mine:
                states = dict.fromkeys(f"`{source}`" for source in row.sources)
                found.setdefault(row.when_text, {}).update(states)
            said = in_words(
                (f"`{guard}` comes to hold while `charge` is in {in_words(states, 'or')}"
                 for guard, states in found.items()), "or")  # fmt: skip
            text = (f"When {said}, the firmware shall emit `{event}` and take `charge` to "
                    f"`{mine[0].to}`.")  # fmt: skip
        make.add("charge", event, "when", text, mine, pins=pins.get(event, ("status",)))


def _gauge(make: Maker, gauge: Gauge) -> None:
    rows = make.rows("gauge")
    pin = (gauge_quantity(gauge).name,)
    pins = (*pin, gauge.light) if gauge.light else pin
    word = "measured" if gauge.method == "voltage" else "counted"
    sampled = _emits(rows, SAMPLED)
    every = span(make.corners.timing(gauge.every))
    staying = [row for row in rows if row.key.startswith("gauge.every") and row not in sampled]
    text = (f"The firmware shall sample `{pin[0]}` at power-up and every {every} from then on."
            if gauge.sample is None else
            f"While `{gauge.sample}` holds, the firmware shall sample `{pin[0]}` when that begins "
            f"and every {every} from then on; else the bars and `cell` stay as they are.")
    make.add("gauge", "every", "always" if gauge.sample is None else "while", text,
             [*sampled, *staying], pins=pin, seen=lambda row: row in sampled)  # fmt: skip
    first = [row for row in rows if row.sources == ("reading",)]
    if not gauge.thresholds:
        make.add("gauge", "first", "when", "When a sample is taken, the firmware shall leave the "
                 "bars at none.", first, pins=pin)  # fmt: skip
    else:
        make.add("gauge", "first", "when", "When the first sample after power-up is taken, the "
                 f"firmware shall count as many bars as thresholds of table `bars` are {word} or "
                 "exceeded, without hysteresis, and emit neither `gauge.up` nor `gauge.down`.",
                 first, pins=pins)  # fmt: skip
        down = _emits(rows, "gauge.down")
        make.add("gauge", "down", "when", f"When less than the threshold of a counted bar is "
                 f"{word}, the firmware shall count only the bars whose thresholds are not "
                 "undercut, and emit one `gauge.down`.", down, pins=pins)  # fmt: skip
        up = _emits(rows, "gauge.up")
        make.add("gauge", "up", "when", f"When the return level of a bar that is not counted is "
                 f"{word} or exceeded, the firmware shall count the bars up to the highest such "
                 "one, and emit one `gauge.up`.", up, pins=pins)  # fmt: skip
    if gauge.blink is not None and gauge.light is not None:
        half = span(make.corners.timing(gauge.blink))
        make.add("gauge", "blink", "while", "While `charge.charging` holds, the firmware shall "
                 f"toggle the highest lit bar, lit for {half} first, then out for as long.",
                 list(make.rows("gauge.blink")), pins=(gauge.light,))  # fmt: skip
    if gauge.low is not None or gauge.flat is not None:
        _cell(make, gauge, word, pin)


def _cell(make: Maker, gauge: Gauge, word: str, pin: tuple[str, ...]) -> None:
    rows = make.rows("cell")
    for name, level in (("low", gauge.low), ("flat", gauge.flat)):
        if level is not None:
            mine = _emits(rows, f"cell.{name}")
            make.add("cell", name, "when", f"When a sample {word} below {figure_text(level)} is "
                     f"taken while `cell.{name}` does not hold, the firmware shall emit "
                     f"`cell.{name}`.", mine, pins=pin)  # fmt: skip
    line = gauge.low or gauge.flat
    assert line is not None
    held = "cell.low" if gauge.low is not None else "cell.flat"
    make.add("cell", "back", "when", f"When a sample {word} above {figure_text(line)} is taken "
             f"while `{held}` holds, the firmware shall emit `cell.back`.",
             _emits(rows, "cell.back"), pins=pin)  # fmt: skip
