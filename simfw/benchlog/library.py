"""The library of experiments: what can be looked at on a gadget, before anything is predicted.

Made from the gadget alone: the current of each state, the status pin, a charge that is timed, a
run-down to a bar, the drawer, the voltage under a load, and how long what goes out by itself lasts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from simfw.benchlog.model import (
    PRESS_NS,
    BenchStep,
    Do,
    Kit,
    ModeReading,
    Observation,
    PinSeen,
    See,
    StartCharge,
    Until,
    Wait,
)
from simfw.benchlog.side_by_side import lasting_after
from simfw.engine.prepared import Prepared
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities
from simfw.stimuli.scenario import Press, Usb

__all__ = ["EVERY", "LONGEST_NS", "LOOKED", "Template", "library"]

_S = 1_000_000_000
_DAY_NS = 86_400 * _S
LONGEST_NS = 100 * 3600 * _S
EVERY, LOOKED = "every 5 minutes", 'looked = "5 min"'
_MODES = 12
_DAYS = (14, 60)
_DWELLS = 4  # of what goes out by itself
_EYE_NS = 2 * _S  # what is shorter is not for a stopwatch
_SCREEN_NS = 20 * _S  # what is longer is not for one sweep of an oscilloscope
_FULL = "Charge it until it is full."
_FRESH = ("Begin with a full cell: a fresh one where it is a primary cell, which must never be "
          "charged.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Template:
    """An experiment before anything is predicted: an observation that is open on all sides."""

    name: str
    kind: str
    hands: str
    kit: tuple[Kit, ...]
    seen: Observation
    unit: str
    entry: str
    minutes: float | None = None  # None: what it takes, and 5 minutes
    sights: tuple[str, ...] = ()
    otherwise: str = "nothing of it"
    margin: int = 0  # the margin of what is read
    blur: tuple[float, float] | None = None  # s: a share of what is read, and what comes with it


def library(prepared: Prepared) -> list[Template]:
    """What can be looked at on a gadget."""
    gadget = prepared.gadget
    found = list(_currents(gadget))
    found += [one for name in found for one in _from_supply(name, prepared)]
    found += _dwells(prepared)
    gauge = gadget.gauge
    bars = 0 if gauge is None else len(gauge.thresholds)
    if gadget.charger is not None:
        begun = "0 %" if gadget.cell.cut_off is None else "cut-off"
        found += [_pin(), _pin(full=True), _charge(begun), _charge(begun, analyser=True)]
    button = next(iter(gadget.buttons), None)
    full = _FULL if gadget.charger is not None else _FRESH
    if button is not None:
        found.append(_under_load(button, full))
    shown = gauge is not None and gauge.light is not None
    if bars and shown and button is not None:
        do = Do(step=Press(at_ns=0, button=button, for_ns=PRESS_NS))
        text = f"gauge == {bars - 1}"
        found.append(Template(
            name=f"full cell, press {button}: until {bars - 1} bars",
            kind="run-down", kit=("eyes", "stopwatch"), unit="s",
            hands=f"{full} Press {button}, start the stopwatch, look "
                  f"{EVERY}, stop when {bars - 1} bars show.",
            seen=Observation(name="run-down", steps=(do, _until(text))),
            entry=f'start = "full"\nsteps = [{{ press = "{button}" }}, '
                  f'{{ until = "{text}", took = "...", {LOOKED} }}]',
        ))
        found.append(Template(
            name=f"full cell, press {button}: voltage when {bars - 1} bars show",
            kind="voltage", kit=("eyes", "multimeter"), unit="V", margin=1,
            hands=f"{full} Hold the meter to the cell, press {button}, and "
                  f"read the voltage at the moment when {bars - 1} bars show.",
            seen=Observation(name="voltage", steps=(
                do, _until(text), See(text="cell.voltage >= 0"))),
            entry=f'start = "full"\nsteps = [{{ press = "{button}" }}, '
                  f'{{ until = "{text}", took = "..." }}, '
                  '{ see = "cell.voltage > ... and cell.voltage < ..." }]',
        ))
        sights = tuple(f"gauge == {k}" for k in range(bars + 1))
        for days in _DAYS:
            wait = Wait(ns=days * _DAY_NS, low_ns=days * _DAY_NS, high_ns=days * _DAY_NS)
            look: tuple[BenchStep, ...] = (
                wait, do, Wait(ns=5 * _S, low_ns=5 * _S, high_ns=5 * _S))
            found.append(Template(
                name=f"drawer, {days} days", kind="shelf", kit=("eyes",), unit="",
                minutes=days * 1440.0, sights=sights,
                hands=f"{full} Leave it alone for {days} days. Press "
                      f"{button} and count the bars.",
                seen=Observation(name="drawer", steps=(*look, *(See(text=s) for s in sights))),
                entry=f'start = "full"\nsteps = [{{ wait = "{days} days" }}, {{ press = "{button}"'
                      ' }, { wait = "5 s" }, { see = "gauge == ..." }]',
            ))
    return found


def _currents(gadget: Gadget) -> list[Template]:
    found: list[Template] = []
    driving = {name: one for name, one in gadget.behaviour.items() if any(one.states.values())}
    # Of what drives nothing all states draw the same, the cell and the board: one will do.
    for region, one in (driving or dict(list(gadget.behaviour.items())[:1])).items():
        for state in one.states if driving else [one.starts]:
            if len(found) >= _MODES:
                return found
            mode = f"{region}.{state}"
            found.append(Template(
                name=f"meter, {mode}", kind="current", kit=("multimeter",), unit="A", minutes=2.0,
                hands=f"Put the meter in line with the cell, bring it to {mode}, read the mean "
                      "current with the cell 70 % to 90 % full.",
                seen=Observation(
                    name=mode, start=StartCharge("share", 0.7, 0.9),
                    reading=ModeReading(states=((region, state),), low_a=1e-12, high_a=100.0)),
                entry=f'mode = "{mode}"\ncharge = "70 % .. 90 %"\nreading = "... mA ± ... mA"',
            ))
    return found


def _pin(*, full: bool = False) -> Template:
    sights = ("low", "high")
    share = 1.0 if full else 0.5
    return Template(
        name=f"status pin {'after a full charge' if full else 'while charging'}",
        kind="pin", kit=("multimeter",), unit="", minutes=3.0,
        sights=sights, otherwise="floating",
        hands=f"With the cell {'charged until it is full' if full else 'about half full'}, plug "
              "USB in and measure the charger's status pin "
              "against ground, then with a resistor of 100 kΩ to the supply beside it: one that "
              "moves with the resistor floats.",
        seen=Observation(
            name="pin", start=StartCharge("share", share, share),
            steps=(Do(step=Usb(at_ns=0, present=True)),
                   Wait(ns=60 * _S, low_ns=60 * _S, high_ns=60 * _S),
                   *(PinSeen(reads=one) for one in ("low", "high")))),
        entry=f'start = "{100 * share:.0f} %"\n'
              'steps = [{ usb = true }, { wait = "1 min" }]\n'
              'pin = "charger.status"\nreads = "..."',
    )


def _charge(start: str, *, analyser: bool = False) -> Template:
    seen = Observation(
        name="charge", start=StartCharge("cut-off"),
        steps=(Do(step=Usb(at_ns=0, present=True)), _until("charge.complete")))
    begun = "Run it down until it goes off by itself."
    meter: tuple[Kit, ...] = ()
    if start != "cut-off":  # nothing would stop it before the cell is damaged
        begun = ("Run it down with a meter on the cell, and stop at the end of discharge on the "
                 "cell's own sheet: the file has no protection.")
        meter = ("multimeter",)
    caution = "Watch it: a cell that gets hot or swells must not be charged any more."
    if analyser:
        return Template(
            name="charge, timed by an analyser", kind="charge", kit=(*meter, "analyser"), unit="s",
            hands=f"{begun} Put the analyser on USB's 5 V and on the charger's status pin, with a "
                  f"pull-up if it floats, and plug USB in. {caution}",
            seen=seen, blur=(0.0, 1.0),
            entry=f'start = "{start}"\nby = "analyser"\nsteps = [{{ usb = true }}, '
                  '{ until = "charge.complete", took = "... ± 1 s" }]',
        )
    return Template(
        name="charge, timed", kind="charge", kit=("eyes", "stopwatch", *meter), unit="s",
        hands=f"{begun} Plug USB in, start the stopwatch, look {EVERY}, stop when it says that it "
              f"is full. {caution}",
        seen=seen,
        entry=f'start = "{start}"\nsteps = [{{ usb = true }}, {{ until = "charge.complete", '
              f'took = "...", {LOOKED} }}]',
    )


def _under_load(button: str, full: str) -> Template:
    """The cell's voltage with what a press switches on: its resistance drops the rest."""
    wait = Wait(ns=5 * _S, low_ns=5 * _S, high_ns=5 * _S)
    return Template(
        name=f"full cell, press {button}: voltage after 5 s", kind="load", kit=("multimeter",),
        unit="V", minutes=3.0,
        hands=f"{full} Hold the meter to the cell, press {button}, and read the voltage 5 s later.",
        seen=Observation(name="load", steps=(
            Do(step=Press(at_ns=0, button=button, for_ns=PRESS_NS)), wait,
            See(text="cell.voltage >= 0"))),
        entry=f'start = "full"\nsteps = [{{ press = "{button}" }}, {{ wait = "5 s" }}, '
              '{ see = "cell.voltage > ... and cell.voltage < ..." }]',
    )


def _from_supply(of_cell: Template, prepared: Prepared) -> Iterator[Template]:
    """A current with a bench supply in place of the cell: what the cell itself draws is gone."""
    written = quantities(prepared.gadget)
    if not {"cell.leakage", "cell.self_discharge", "cell.resistance"} & set(written):
        return  # it would read the same
    volts = round(float(prepared.circuit.open_circuit_v(0.8)), 2)
    reading = of_cell.seen.reading
    assert reading is not None
    mode = " ".join(map(".".join, reading.states))
    yield replace(
        of_cell, name=f"bench supply, {mode}", kit=("multimeter", "bench supply"), minutes=5.0,
        hands=f"Take the cell out, put a supply of {volts:g} V in its place with its current "
              f"limited, and the meter in line; bring it to {mode} and read the mean current. "
              "Never connect a supply to a cell that is still in.",
        seen=replace(of_cell.seen, start=StartCharge("volts", volts, volts), supply=True),
        entry=f'mode = "{mode}"\nsupply = "{volts:g} V"\nreading = "... mA ± ... mA"',
    )


def _dwells(prepared: Prepared) -> Iterator[Template]:
    """How long what hands bring about lasts until it ends by itself."""
    for action, region, state, ns in lasting_after(prepared, 1.0)[:_DWELLS]:
        named = f"{action.words}: how long {region}.{state} lasts"
        do = Do(step=action.steps()[0][0])
        line, button = action.lines[0], action.actions[0][1]
        begin = f"With a full cell: {action.words}"
        both = f"on {button or 'USB'} and on what {region}.{state} drives"
        seen = Observation(name=named, steps=(do, _until(f"not {region}.{state}")))
        ways: tuple[tuple[tuple[Kit, ...], str, tuple[float, float], bool], ...] = (
            (("eyes", "stopwatch"), "start the stopwatch as you begin, stop it when "
             f"{region}.{state} is over", (0.0, 0.4), ns >= _EYE_NS),
            (("analyser",), f"record with the analyser {both}", (0.0, 1e-3), True),
            (("oscilloscope",), f"put the oscilloscope's two probes {both}, one sweep",
             (0.01, 0.0), ns <= _SCREEN_NS),
        )
        for kit, how, blur, needed in ways:
            if needed:
                by, exact = "", line
                if "eyes" not in kit:  # it sees how long a press is, too
                    by = 'by = "analyser"\n'
                    exact = line.replace(f'"{button}" }}', f'"{button}", for = "..." }}')
                yield Template(
                    name=f"{named}{'' if 'eyes' in kit else f', by {kit[0]}'}", kind="dwell",
                    hands=f"{begin}; {how}.", kit=kit, seen=seen, unit="s", blur=blur,
                    minutes=ns / 60e9 + (1.0 if "eyes" in kit else 5.0),
                    entry=f'start = "full"\n{by}steps = [{exact}, '
                          f'{{ until = "not {region}.{state}", took = "... ± ..." }}]',
                )


def _until(text: str) -> Until:
    return Until(text=text, ns=LONGEST_NS // 2, low_ns=1, high_ns=LONGEST_NS)
