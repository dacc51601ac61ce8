"""The section about cell, charger and gauge."""

from __future__ import annotations

from collections.abc import Iterator

from simfw.circuit.charger import ChargerMode, charger_model
from simfw.gadget.figures import figure_text, standing_text
from simfw.quantity import Figure, format_duration, format_percent, format_si
from simfw.report.specification.document import (
    Block,
    Cell,
    Gap,
    Paragraph,
    Section,
    Table,
    cells,
)
from simfw.report.specification.subject import Subject
from simfw.report.specification.words import in_words

__all__ = ["battery"]

SAID: tuple[tuple[ChargerMode, str], ...] = (
    ("fast", "charging"), ("complete", "complete"), ("fault", "fault"), ("off", "no USB"),
)  # fmt: skip


def _figures(rows: list[tuple[str, Figure | None, str]]) -> tuple[tuple[Cell, ...], ...]:
    return tuple(
        (Cell(name), *(
            (Cell(figure_text(figure), numeric=True), Cell(meaning), Cell(standing_text(figure)))
            if figure is not None else
            (Cell("not in the model", faint=True), Cell(meaning), Cell("-", faint=True))))
        for name, figure, meaning in rows)  # fmt: skip


def _cell(subject: Subject) -> Table:
    cell = subject.gadget.cell
    return Table(caption="Cell and its protection", head=("quantity", "value", "meaning", "origin"),
                 rows=_figures([
        ("capacity", cell.capacity, "rated charge"),
        ("resistance", cell.resistance, "between its rest voltage and its terminals"),
        ("cut-off", cell.cut_off, "below it the protection opens: the controller loses its supply"),
        ("restart", cell.restart, "above it, at rest, the protection closes: power-up"
         if cell.restart is not None else "the protection stays open"
         if subject.gadget.charger is None else
         "the protection closes while the charger lifts the cell above the cut-off: power-up"),
        ("leakage", cell.leakage, "what the protection draws, always"),
        ("self-discharge", cell.self_discharge, "share lost per month, also on the shelf"),
    ]))  # fmt: skip


def _meanings(subject: Subject) -> Iterator[tuple[str, str]]:
    """What each level that can be read at the status pin may stand for."""
    model = charger_model(subject.gadget)
    assert model is not None
    for level in subject.system.status_levels:
        said = [word for mode, word in SAID if model.reads(mode, mode != "off") == level]
        yield level, in_words(said, "or")


def _charger(subject: Subject) -> list[Block]:
    charger = subject.gadget.charger
    if charger is None:
        return [Paragraph("There is no charger.")]
    blocks: list[Block] = [Table(
        caption="Charger", head=("quantity", "value", "meaning", "origin"), rows=_figures([
            ("program", charger.program, "resistor that sets the current"),
            ("gain", charger.gain, "constant current = gain / program"),
            ("current", charger.current, "constant current, where it is written itself"),
            ("float", charger.float_, "constant voltage"),
            ("finish", charger.finish, "share of the constant current at which it ends"),
            ("precharge below", charger.precharge.below if charger.precharge else None,
             "a deeply empty cell gets less"),
            ("precharge rate", charger.precharge.rate if charger.precharge else None,
             "share of the constant current then"),
            ("recharge", charger.recharge, "a complete cell is topped up from here"),
        ]))]  # fmt: skip
    if charger.program is not None and charger.gain is not None and charger.program.value:
        blocks.append(
            Paragraph(
                f"Constant current: {format_si(charger.gain.value / charger.program.value, 'A')}."
            )
        )
    if charger.status is None:
        blocks.append(Paragraph("The firmware sees USB only; there is no status pin in the model."))
    else:
        blocks.append(
            Table(
                caption="What the status pin means",
                head=("it reads", "meaning"),
                rows=tuple(cells(*row) for row in _meanings(subject)),
            )
        )
    blocks.append(
        Paragraph(
            "Charge limits, over-discharge and short-circuit protection are done "
            "by charger and protection hardware; the firmware only shows them. A "
            "steady load above the finish current keeps the charger from ending."
        )
    )
    return blocks


_COUNT = (
    "The count is the share of that capacity that is left. Charge that the gadget draws takes from "
    "it, charge that the charger gives adds to it; it ends at 0 % and at 100 %. From the end of "
    "the instant in which `charge.completed` is emitted it is 100 %. It is lost with the supply. "
    "The leakage of the protection and the self-discharge of the cell flow past the counter."
)


def _gauge(subject: Subject) -> list[Block]:
    gauge = subject.gadget.gauge
    if gauge is None:
        return [Paragraph("There is no gauge.")]
    hysteresis = gauge.hysteresis.value if gauge.hysteresis else 0.0
    counts = gauge.method == "counting"
    what = "share" if counts else "voltage"
    bars = tuple(
        cells(f"bar {k}", Cell(figure_text(level), numeric=True),
              Cell(format_percent(level.value + hysteresis, 4) if counts
                   else format_si(level.value + hysteresis, "V", 4), numeric=True),
              standing_text(level))
        for k, level in enumerate(gauge.thresholds, 1))  # fmt: skip
    blocks: list[Block] = []
    if bars:
        blocks.append(Table(caption=f"Bars: each goes out below the first {what} and comes back "
                                    "at the second", head=("bar", "goes out below", "comes back at",
                                                        "origin"), rows=bars))  # fmt: skip
    levels = [(name, figure, meaning) for name, figure, meaning in (
        ("low", gauge.low, "emits cell.low below it; cell.back above the higher of the two"),
        ("flat", gauge.flat, "emits cell.flat below it")) if figure is not None]  # fmt: skip
    if levels:
        blocks.append(
            Table(
                caption="Warnings",
                head=("level", "value", "meaning", "origin"),
                rows=_figures(list(levels)),
            )
        )
    text = (
        f"Sampled every {format_duration(gauge.every.ns)}, first at power-up (without "
        "hysteresis), from "
    ) + ("the count of charge." if counts
         else "the terminal voltage under the load of that moment.")
    if gauge.light:
        text += f" Shown on `{gauge.light}`" + (f" while `{gauge.show}`." if gauge.show else ".")
    if gauge.blink is not None:
        text += (
            f" While charging the top bar blinks, {format_duration(gauge.blink.ns)} on and "
            "as long off."
        )
    blocks.append(Paragraph(text))
    controller = subject.gadget.controller
    if gauge.capacity is not None and gauge.power_up is not None:
        blocks += [Table(caption="Count", head=("level", "value", "meaning", "origin"),
                         rows=_figures([
                             ("capacity", gauge.capacity, "the charge that counts as a full cell"),
                             ("power_up", gauge.power_up, "the count at power-up"),
                         ])), Paragraph(_COUNT)]  # fmt: skip
    elif controller is not None and controller.reference is not None:
        blocks.append(
            Paragraph(
                f"Reference {figure_text(controller.reference)}"
                + (f", {controller.adc_bits} bits" if controller.adc_bits else "")
                + ": a reference that is off shifts all of these together."
            )
        )
    return blocks


def battery(subject: Subject) -> Section:
    """Thresholds with hysteresis, steps, restart, the meaning of each level of the status pin."""
    return Section(anchor="battery", title="Cell, charger and gauge", parts=(
        Section(anchor="cell", title="Cell and restart", blocks=(
            _cell(subject),
            Paragraph("When the supply is lost every output is off and everything is forgotten; "
                      "when it returns every region begins in its first state. USB that is present "
                      "at power-up counts as plugged in then."))),
        Section(anchor="charger", title="Charger", blocks=tuple(_charger(subject))),
        Section(anchor="gauge", title="Gauge", blocks=tuple(_gauge(subject))),
    ), blocks=(Gap("What the gadget does while it charges at the edges of its temperature range."),)
    )  # fmt: skip
