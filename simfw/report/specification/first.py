"""What an author of firmware asks first: each answered where it is known, else open."""

from __future__ import annotations

from collections.abc import Iterator

from simfw.behaviour.hold import HOLD
from simfw.behaviour.region import Drive, System
from simfw.behaviour.stock import burst_ns, gauge_quantity
from simfw.circuit.measure import Converter
from simfw.gadget.figures import figure_text
from simfw.gadget.model import Gadget
from simfw.quantity import format_duration, format_percent, format_si
from simfw.report.specification.document import Cell, Paragraph, Section, Table
from simfw.report.specification.interface import supply_text
from simfw.report.specification.pins import pins_of
from simfw.report.specification.power import has_let_go, mode_name, resting
from simfw.report.specification.requirements import driven
from simfw.report.specification.sequences import played
from simfw.report.specification.stock import DESCRIBED
from simfw.report.specification.subject import Subject
from simfw.report.specification.words import first_state, in_words, while_kept

__all__ = ["code_below", "first"]

Line = tuple[str, str, str]
"""Question, answer, and what is open with what would answer it (empty: nothing)."""


def _supply(subject: Subject) -> Line:
    gadget = subject.gadget
    cell, charger = gadget.cell, gadget.charger
    low = f"{figure_text(cell.cut_off)} (protection opens)" if cell.cut_off else "0 V"
    if gadget.power_path and charger is not None and charger.input is not None:
        high = f"{figure_text(charger.input.voltage)} (USB in: its power path feeds the gadget)"
    elif charger is not None:
        high = f"{figure_text(charger.float_)} (end of charge)"
    else:
        import numpy as np

        from simfw.circuit.cell import cell_model


        full = float(cell_model(gadget).open_circuit_v(np.array(1.0)))
        high = f"{format_si(full, 'V', 3)} (full cell at rest)"
    cuts = [f"`{name}`" for name, toggle in gadget.toggles.items() if toggle.in_supply]
    switched = (f" {in_words(cuts)} cut{'s' * (len(cuts) == 1)} it off, and the firmware is told "
                "of nothing but the supply." if cuts else "")  # fmt: skip
    missing = "" if cell.cut_off else "The lowest supply: there is no protection in the model."
    regulator = gadget.controller.regulator if gadget.controller else None
    fed = f"At the controller {low} to {high}, no regulator in the model."
    if regulator is not None:
        drop = f", which needs {figure_text(regulator.drop)} above it" if regulator.drop else ""
        fed = (f"A regulator makes {figure_text(regulator.output)} of {low} to {high}{drop}: the "
               "controller, its pins and its reference have that.")
    return ("supply", f"{supply_text(subject)}. {fed}{switched}{_let_go(subject)}",
            missing + " The controller's own limits: its data sheet.")


def _let_go(subject: Subject) -> str:
    """How the firmware lets go of its supply, and what brings that back; empty without it."""
    system = subject.system
    places = [f"`{region.name}` is in `{state.name}`" for region in system.regions
              for state in region.states if state.unpowered]
    if not places:
        return ""
    back = in_words(["USB comes" if name == "usb" else f"`{name}` closes"
                     for name in system.powered_by], "or")
    return (f" The firmware holds it by `{HOLD}` and lets go once all is settled while "
            f"{in_words(places, 'or')}. While {while_kept(system)}, it stays all the same. Gone, "
            f"it comes back when {back}: a power-up, before which a contact that brings it back "
            "was closed already.")


def _clock(subject: Subject) -> Line:
    clock = subject.gadget.controller.clock if subject.gadget.controller else None
    if clock is None:
        return ("clock", "no tolerance is known: min and max below are those of the times alone",
                "The tolerance: the data sheet of the clock, or two captures of one long time; "
                '`clock = "10 %"` under `[controller]` then widens every window.')  # fmt: skip
    return ("clock", f"within {figure_text(clock)} either way, folded into every window below", "")


def _error(subject: Subject) -> Line:
    times = [row.after_ns for region in subject.system.regions for row in region.rows
             if row.after_ns]  # fmt: skip
    shortest = f"; the shortest time is {format_duration(min(times))}" if times else ""
    return ("error of times", "a time is met if it ends within its min and max, and an edge if it "
            f"comes within its window of `vectors/expected.csv`{shortest}. Where min and max are "
            "equal nothing but the nominal time is known. On a host a firmware is told times in "
            "nanoseconds, and `simfw conform` allows no error but what `--within` or the "
            "firmware's own tick says (`protocol.md`).",
            "How coarse a tick the board may have: the author.")


def _reset(subject: Subject) -> Line:
    cell = subject.gadget.cell
    known = "power-up is the only reset in the model"
    if cell.cut_off is not None:
        again = (f", and it comes back at {figure_text(cell.restart)} at rest" if cell.restart
                 else "")  # fmt: skip
        known += f": the supply goes at {figure_text(cell.cut_off)}{again}"
    return ("reset, brown-out, watchdog", known, "Brown-out level, and what a watchdog does: the "
            "controller's data sheet, and a supply ramped slowly down and up on the old unit. An "
            "emitter or a bright light that stays on must be limited by hardware.")  # fmt: skip


def _memory(subject: Subject) -> Line:
    kept = [f"`{region.name}`" for region in subject.system.regions
            if region.resume_points and region.kept != "resume"]
    parts = [f"{'the state' if region.kept == 'state' else 'what it would resume'} of "
             f"`{region.name}`" for region in subject.system.regions if region.kept]
    text = (f"{in_words(parts)} outlive{'s' * (len(parts) == 1)} the supply as last settled before "
            "it went" if parts else "nothing is kept without supply")  # fmt: skip
    if kept:
        text += f"; {in_words(kept)} remember{'s' * (len(kept) == 1)} a state while it lasts"
    if parts:
        lost = ("Vectors lose the supply where the firmware lets go of it" if subject.system.holds
                else "Vectors for a bench lose the supply in some places only"
                if subject.vectors is not None and any(
                    act.kind == "supply" for one in subject.vectors.vectors for act in one.acts)
                else "No vector loses the supply")
        return ("retained memory", text, "Where it is written, how often that may be, and that a "
                "loss of the supply while it is written does no harm: the memory's data sheet. "
                f"{lost}: try it on the bench in every state.")
    return ("retained memory", text, "Whether the old unit keeps anything: take the cell out and "
            "put it back in every state.")  # fmt: skip


def _start(subject: Subject) -> Line:
    starts = in_words(first_state(region) for region in subject.system.regions
                      if region.group in ("dials", "behaviour"))  # fmt: skip
    inputs = "contacts that are closed give no edge" if subject.gadget.buttons else ""
    usb = "USB that is there gives one" if subject.gadget.charger is not None else ""
    gauge = subject.gadget.gauge
    sample = "the gauge samples at once" if gauge is not None and gauge.sample is None else ""
    said = in_words(text for text in (inputs, usb, sample) if text)
    return ("start-up", f"every output is off until power-up; then {starts or 'no written region'}"
            + (f"; {said}" if said else "") + ". The model starts in no time.",
            "How long the controller may take from supply to first reaction: the author.")


def _wakes(subject: Subject) -> Line:
    pins = [f"`{pin.signal}`" for pin in pins_of(subject.gadget) if "wakes" in pin.asleep]
    sampled = [name for name, button in subject.gadget.buttons.items() if button.style == "sample"]
    asleep = sorted({row.after_ns for region in subject.system.regions for row in region.rows
                     if row.after_ns
                     and any(not region.state(source).awake for source in row.sources)})
    text = f"a change of {in_words(pins, 'or')}" if pins else "no pin"
    if sampled:
        text += f"; {in_words(f'`{name}`' for name in sampled)} read at intervals by the clock"
    if asleep:
        shown = in_words(map(format_duration, asleep)) if len(asleep) < 7 else (
            f"{len(asleep)} different ones, {format_duration(asleep[0])} to "
            f"{format_duration(asleep[-1])}")  # fmt: skip
        text += f"; the end of a time that runs asleep: {shown}"
    if not played(subject.system):
        return "wake sources", text, ""
    return ("wake sources", f"{text}; a step of a sequence wakes nothing in the model",
            "Whether a timer of the controller goes through the steps asleep: its data sheet.")


def _awake(subject: Subject) -> Line:
    gadget = subject.gadget
    parts = []
    for name, button in gadget.buttons.items():
        parts.append({
            "sample": f"contact `{name}` is read and differs",
            "settle": f"contact `{name}` settles",
            "first-edge": f"the edges of contact `{name}` are ignored",
        }[button.style])
    parts += [f"toggle `{name}` settles" for name in gadget.read_toggles]
    parts += [f"sensor `{name}` looks" for name in gadget.proximity]
    parts += [f"`{name}` is measured" for name in gadget.measures]
    if gadget.gauge is not None:
        parts.append("the gauge samples")
    parts += [f"`{region.name}` is in `{state.name}`" for region in subject.system.regions
              if region.group not in DESCRIBED for state in region.states if state.awake]
    controller = gadget.controller
    known = [] if controller is None else [
        f"{word} {figure_text(figure)}" for word, figure in (
            ("asleep", controller.asleep), ("awake", controller.awake),
            ("each wake-up", controller.wake)) if figure is not None]  # fmt: skip
    text = f"awake while {in_words(parts, 'or')}; else asleep" if parts else "always asleep"
    return ("sleep", f"{text}. Controller: {', '.join(known) or 'no current known'}.",
            "" if known else "The currents: a meter in series with the cell.")  # fmt: skip


def _currents(subject: Subject) -> Line:
    budget = subject.budget
    if budget is None or not budget.modes:
        return ("current per state", "not worked out in this issue", "")
    rest, shown = resting(subject), ""
    if rest is not None and rest.current_a is not None:
        gone = ", the supply let go of" if has_let_go(subject.system, rest) else ""
        shown = f"at rest ({mode_name(rest)}{gone}) {format_si(rest.current_a, 'A')}; "
    return ("current per state", f"{shown}section *Power* has every steady state", "What each "
            "finished unit is tested against: the author.")  # fmt: skip


def code_below(gadget: Gadget, level: float) -> int | None:
    """The least converter code that means less than `level` (V); None without a known converter.

    The reference is converted against the supply, so that a lower supply gives a higher code.
    """
    converter = Converter.of(gadget.controller)
    if converter.steps is None or converter.nominal_v is None or level <= 0:
        return None
    guess = max(1, int(converter.steps * converter.nominal_v / level) - 1)
    while converter.steps * converter.nominal_v / guess >= level:
        guess += 1
    return guess if guess < converter.steps else None


def _converter(subject: Subject) -> Line | None:
    gadget = subject.gadget
    gauge, controller = gadget.gauge, gadget.controller
    if gauge is None:
        return None
    every = format_duration(gauge.every.ns)
    if gauge.method == "counting":
        return ("converter", f"none: the gauge reads `{gauge_quantity(gauge).name}`, a counter of "
                f"charge, every {every}", "The counter's interface: its data sheet.")  # fmt: skip
    begin = "at power-up" if gauge.sample is None else f"when `{gauge.sample}` comes to hold"
    when = f"One conversion {begin} and every {every}; it takes no time in the model."
    time = "Conversion time, and whether outputs change meanwhile: the controller's data sheet."
    if controller is None or controller.reference is None:
        return ("converter", f"reads the cell voltage exactly. {when}",
                f"Reference and bits: the controller's data sheet. {time}")  # fmt: skip
    reference, bits = figure_text(controller.reference), controller.adc_bits
    nominal = format_si(controller.reference.value, "V", 4)
    if bits is None:
        how = f"reference {reference}, number of bits not known"
    else:
        how = (f"{bits} bits, full scale the supply, input the reference of {reference}: code = "
               f"floor({2**bits} × reference / supply), and `gauge.measured` = {2**bits} × "
               f"{nominal} / code. A lower supply gives a higher code")  # fmt: skip
    return ("converter", f"{how}. {when}", time)


def _given(system: System) -> dict[str, list[Drive]]:
    """For each output all that states, the positions of dials and the steps of sequences give it.

    Nothing of what factors make of that.
    """
    positions = {region.name: [state.position.drive for state in region.states if state.position]
                 for region in system.regions}  # fmt: skip
    found: dict[str, list[Drive]] = {}
    for state in (state for region in system.regions for state in region.states):
        for output, drive in state.outputs.items():
            found.setdefault(output, []).extend(
                [drive] if drive.dial is None else positions[drive.dial])
        for output, sequence in state.sequences.items():
            found.setdefault(output, []).extend(sequence.levels)
    return found


def _levels(subject: Subject) -> Line:
    places = driven(subject.system)
    bars = [f"`{name}` in lit segments, 0 to {subject.segments[name]}"
            for name in _given(subject.system) if name in subject.segments]
    carriers = [f"`{name}` at {round(drive.duty * 1_000_000)} in a burst"
                for name, found in places.items() for region, _, drive in found[-1:]
                if region.group == "proximity" and drive.duty < 1]  # fmt: skip
    rest = in_words([*bars, *carriers])
    return ("levels in vectors and protocol", "parts per million of duty, 0 off and 1000000 on"
            + (f"; {rest}" if rest else "") + ". Outputs are named as in the table of pins.", "")


def _pwm(subject: Subject) -> Line | None:
    carriers = [f"`{name}.emitter`: {figure_text(sensor.carrier)} at {figure_text(sensor.duty)}, "
                f"{sensor.burst} cycles ({format_duration(burst_ns(sensor))})"
                for name, sensor in subject.gadget.proximity.items()]  # fmt: skip
    duties: dict[str, list[float]] = {}
    for output, drives in _given(subject.system).items():
        for drive in drives:
            if drive.segments is None and 0 < drive.duty < 1 and "." not in output:
                duties.setdefault(output, []).append(drive.duty)
    scaled = dict.fromkeys(
        name for region in subject.system.regions for state in region.states
        for name in (*(name for name, factor in state.scales.items() if 0 < factor < 1),
                     *state.dial_scales) if name not in subject.segments)  # fmt: skip
    if not carriers and not duties and not scaled:
        return None
    text = "; ".join([*carriers, *(
        f"`{name}` at {len(set(shares))} dut{'y' if len(set(shares)) == 1 else 'ies'} below 100 %, "
        f"least {format_percent(min(shares))}" + ", and less by factors" * (name in scaled)
        for name, shares in duties.items()), *(
        f"`{name}` at what factors leave of 100 %" for name in scaled if name not in duties)])
    return ("PWM", text, "Frequency of the dimmed outputs: a capture of one. Test vectors compare "
            "the duty and not the period." if duties or scaled else "")  # fmt: skip


def _lines(subject: Subject) -> Iterator[Line]:
    yield _supply(subject)
    yield _clock(subject)
    yield _error(subject)
    yield _reset(subject)
    yield _memory(subject)
    yield _start(subject)
    yield _wakes(subject)
    yield _awake(subject)
    yield _currents(subject)
    yield _levels(subject)
    yield from (line for line in (_converter(subject), _pwm(subject)) if line is not None)


def first(subject: Subject) -> Section:
    """The table of first questions."""
    rows = tuple((Cell(question), Cell(answer), Cell(missing.strip() or "-", faint=not missing))
                 for question, answer, missing in _lines(subject))  # fmt: skip
    return Section(anchor="first", title="What an author asks first", blocks=(
        Paragraph("Pins and their levels are in the next section."),
        Table(caption="Answers, and what is open",
              head=("about", "known", "open, and what answers it"), rows=rows, widths=(14, 52, 34)),
    ))  # fmt: skip
