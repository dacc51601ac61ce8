"""The power budget: what each mode draws, from which consumers, and how long the cell lasts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simfw.gadget.figures import entries, figure_text
from simfw.quantity import Figure, format_percent, format_si
from simfw.report.modes import (
    current_text,
    dial_lines,
    left_out,
    over_dials_text,
    run_time_text,
)
from simfw.report.specification.document import (
    Block,
    Bullets,
    Cell,
    Gap,
    Note,
    Paragraph,
    Section,
    Table,
)
from simfw.report.text import ticking_text

if TYPE_CHECKING:
    from simfw.behaviour.region import System
    from simfw.engine.modes import Mode
    from simfw.engine.simulator import Prepared
    from simfw.gadget.model import Gadget
    from simfw.report.specification.subject import Subject

__all__ = ["Budget", "budget_of", "has_let_go", "mode_name", "power", "resting"]

CHARGE = 0.5
RANGED_SHOWN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Modes at a stated charge, and the consumers that the circuit knows, drawing or not.

    `left_out` says what of the modes is not listed, empty where all are.
    """

    charge: float
    modes: Sequence[Mode]
    consumers: Sequence[str]
    left_out: Sequence[str] = ()


def budget_of(gadget: Gadget, prepared: Prepared | None = None) -> Budget:
    """Work the budget out with the engine, at half charge and 25 degC."""
    from simfw.engine.modes import survey
    from simfw.engine.simulator import Prepared

    prepared = Prepared(gadget) if prepared is None else prepared
    found = survey(gadget, charge=CHARGE, prepared=prepared)
    return Budget(charge=CHARGE, modes=found.modes,
                  left_out=(*dial_lines(gadget, found.modes), *left_out(found)),
                  consumers=tuple(prepared.circuit.consumers))  # fmt: skip


def mode_name(mode: Mode) -> str:
    """The states of a mode in words."""
    return ", ".join([
        *(f"{region} {ticking_text(state)}" for region, state in mode.states.items()),
        *(f"{name} {at}" for name, at in mode.outside.items()),
    ]) or "at rest"


def has_let_go(system: System, mode: Mode) -> bool:
    """Whether the firmware has let go of its supply in a mode."""
    return any(system.region(name).state(state).unpowered
               for name, states in mode.states.items() for state in states.split("/"))


def resting(subject: Subject) -> Mode | None:
    """The mode that the gadget is left in: one in which the firmware has let go of its supply,
    where it may, and else the first. None where no such mode is listed.
    """
    modes = () if subject.budget is None else subject.budget.modes
    if subject.system.holds:
        modes = [mode for mode in modes if has_let_go(subject.system, mode)]
    return next(iter(modes), None)


def _widest(gadget: Gadget) -> tuple[str, ...]:
    """The ranges of the file, widest first relative to their value: what the interval rests on."""
    spans = []
    for entry in entries(gadget):
        figure = entry.figure
        if isinstance(figure, Figure) and figure.high > figure.low and figure.value:
            spans.append(((figure.high - figure.low) / abs(figure.value), entry))
    spans.sort(key=lambda item: (-item[0], item[1].key))
    return tuple(
        f"`{entry.key}`: {figure_text(entry.figure)}, a span of "
        f"{format_percent(width, 2)} of the value"
        for width, entry in spans[:RANGED_SHOWN]
    )


def _modes(budget: Budget) -> Table:
    rows = []
    has_readings = any(mode.readings for mode in budget.modes)
    dialled = any(over_dials_text(mode) for mode in budget.modes)
    for mode in budget.modes:
        runs = "never by itself" if mode.run_time_s is None else run_time_text(mode)
        rows.append((
            Cell(mode_name(mode)),
            Cell(current_text(mode), numeric=True),
            *([Cell(over_dials_text(mode) or "-", numeric=True)] * dialled),
            Cell("-" if mode.voltage_v is None else format_si(mode.voltage_v, "V", 4),
                 numeric=True),
            Cell(runs, numeric=True),
            Cell(mode.ends_by or "-"),
            *([Cell(", ".join(f"{key}: {format_si(value, 'A')} ({format_si(low, 'A')} to "
                              f"{format_si(high, 'A')})"
                              for key, (low, value, high) in mode.readings.items()) or "none")]
              * has_readings),
        ))  # fmt: skip
    return Table(caption=f"Mean current of each resting mode at {format_percent(budget.charge)} "
                         "charge and 25 °C, nominal values; how long it lasts from full",
                 head=("mode", "mean current", *(["by dial"] * dialled), "cell voltage",
                       "lasts from full", "ends by",
                       *(["meter readings"] * has_readings)), rows=tuple(rows))  # fmt: skip


def _consumers(budget: Budget) -> Table:
    rows = []
    for consumer in budget.consumers:
        drawn = [(mode.parts_a.get(consumer, 0.0), mode) for mode in budget.modes]
        most, where = max(drawn, key=lambda item: item[0], default=(0.0, None))
        least = min((amount for amount, _ in drawn), default=0.0)
        share = most / where.current_a if where is not None and where.current_a else 0.0
        rows.append((
            Cell(f"`{consumer}`", anchor=f"consumer-{consumer.replace('.', '-')}"),
            Cell(format_si(least, "A"), numeric=True), Cell(format_si(most, "A"), numeric=True),
            Cell(format_percent(share, 2), numeric=True),
            Cell(mode_name(where) if where is not None and most else "in no resting mode"),
        ))  # fmt: skip
    return Table(caption="Consumers: mean current at the cell over all resting modes",
                 head=("consumer", "least", "most", "share there", "most in"),
                 rows=tuple(rows))  # fmt: skip


def power(subject: Subject) -> Section:
    """The section, or a gap where no budget was worked out."""
    budget = subject.budget
    if budget is None:
        return Section(anchor="power", title="Power budget", blocks=(
            Gap("The budget was left out of this issue.", "`simfw spec` without `--no-power`."),))
    cell = subject.gadget.cell
    blocks: list[Block] = [
        Paragraph(f"Conditions: {format_percent(budget.charge)} charge, 25 °C, no USB, no hand, no "
                  "contact closed, nominal values of every part. All consumers are solved together "
                  "on one node, so that the sag of one is felt by all."),
        _modes(budget), *(Paragraph(text) for text in budget.left_out),
        _consumers(budget),
    ]  # fmt: skip
    widest = _widest(subject.gadget)
    if widest:
        blocks.append(
            Paragraph(
                "The widest ranges of the file, which the figures above do not "
                "show (`simfw life` works them through):"
            )
        )
        blocks.append(Bullets(widest))
    usable = f"Rated {figure_text(cell.capacity)}"
    if cell.cut_off is not None:
        usable += f", used from full down to the cut-off at {figure_text(cell.cut_off)}"
    blocks.append(Paragraph(usable + "; age, cold and high current take from it."))
    rest = resting(subject)
    if rest is not None and rest.current_a and not has_let_go(subject.system, rest):
        blocks.append(Paragraph(
            f"Margin for the replacement: at rest ({mode_name(rest)}) the gadget draws "
            f"{format_si(rest.current_a, 'A')}; each further microampere of the new controller "
            f"takes {format_percent(1e-6 / (rest.current_a + 1e-6), 2)} off the time it "
            f"lasts there."
        ))  # fmt: skip
    blocks.append(
        Gap(
            "Hours per day in each mode, and the limit on sleep current of a finished unit.",
            "the author; a pattern file and `simfw life` then give days between charges.",
        )
    )
    blocks.append(
        Note(
            "Worked out by a model from the numbers of the file; not measured, and no "
            "promise of safety or of run time."
        )
    )
    return Section(anchor="power", title="Power budget", blocks=tuple(blocks))
