"""Requirement sentences in the EARS patterns, each with a stable number, its pins and its origin.

The patterns (always, while, when, if, and their mixture) are those of A. Mavin et al., "Easy
Approach to Requirements Syntax (EARS)", 17th IEEE International Requirements Engineering
Conference, 2009, and Mavin, IEEE Software 29(2), 2012, pp. 17-18.

A number is made from what the sentence is about (region, cause, sources, guard), not from where it
stands or how long its time is: rows may be moved or retimed and keep their numbers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from simfw.behaviour.hold import HOLD
from simfw.behaviour.region import Drive, Region, Row, System
from simfw.behaviour.rules import BoundRule
from simfw.behaviour.tree import Inside, leaves, names_in
from simfw.quantity import format_duration, format_percent
from simfw.report.specification.sequences import played, played_text
from simfw.report.specification.windows import Corners, Window
from simfw.report.specification.words import drive_text, first_state, in_words
from simfw.vectors.items import HELD, scaled_levels

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Numbers", "Pattern", "Requirement", "is_of_the_whole", "kept_origin", "requirements",
           "span"]  # fmt: skip

Pattern = Literal["always", "while", "when", "while + when", "if"]
OUTPUT, START, RULES = "output ", "the start", "the rules"
"""What no region can be called: an output may have the name of one."""
UNSEEN = ("cell.voltage", "cell.charge")
"""What the firmware cannot see: a rule about it speaks of the whole gadget."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """One sentence.

    `origin` names what it was made from. `keys` are the rows that it describes, `shown` those of
    them whose firing shows it (all of them where empty), `items` further items of the test vectors
    that do. A vector shows it, too, that exposes a firmware in which the region `keeps` keeps
    nothing. `pins` are the signals at which it is seen; `part` is where it stands: the name of a
    region or sensor, `OUTPUT` with that of an output, `START` or `RULES`.
    """

    number: str
    pattern: Pattern
    text: str
    origin: str
    part: str
    keys: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    keeps: str = ""
    pins: tuple[str, ...] = ()

    @property
    def anchor(self) -> str:
        """Its anchor in the document."""
        return f"req-{self.number.lower()}"

    @property
    def is_rule(self) -> bool:
        """Whether it is a rule: a statement to be checked, and no reaction that a vector shows."""
        return self.part == RULES


class Numbers:
    """Hands out numbers: a short name and four hexadecimal digits, more where four are taken."""

    def __init__(self) -> None:
        self.taken: set[str] = set()

    def of(self, stem: str, *parts: object) -> str:
        """A number that starts with `stem` and depends on nothing but it and `parts`."""
        digest = hashlib.sha256(repr(parts).encode()).hexdigest().upper()
        stem = "".join(sign if sign.isalnum() else "-" for sign in stem.upper())
        length = 4
        while (number := f"{stem}-{digest[:length]}") in self.taken:
            length += 1
        self.taken.add(number)
        return number


def span(window: Window) -> str:
    """A time with its corners, where they differ."""
    time = format_duration(window.ns)
    if window.low_ns != window.high_ns:
        low, _, high = window.texts
        time += f" ({low} to {high})"
    return time


def is_of_the_whole(rule: BoundRule) -> bool:
    """Whether a rule is about what the firmware cannot see, and so about the whole gadget."""
    parts = (rule.statement, rule.when, rule.then)
    return any(name in UNSEEN for part in parts if part is not None
               for name in names_in(part).quantities)  # fmt: skip


MOST_NAMED = 6


# -- rows of written regions -----------------------------------------------------------------------


def _states(region: Region, names: Sequence[str]) -> str:
    if len(names) == len(region.states) and len(names) > 1:
        return "in any state"
    return "in " + in_words((f"`{name}`" for name in names), "or")


def _before(rows: Sequence[Row], row: Row) -> list[Row]:
    """Those of the rows tried before `row` that have its cause, in a state that both know."""
    return [
        other
        for other in rows
        if other.on == row.on
        and other.after_ns == row.after_ns
        and not set(row.sources).isdisjoint(other.sources)
    ]


def changed_outputs(region: Region, row: Row) -> tuple[str, ...]:
    """The outputs whose level in this region differs before and after a row."""
    targets = region.entered_by(row)
    found: dict[str, None] = {}
    for source in row.sources:
        before: Mapping[str, Drive] = region.state(source).outputs
        for target in targets:
            after = region.state(target).outputs
            found |= dict.fromkeys(name for name in (*before, *after)
                                   if before.get(name) != after.get(name))  # fmt: skip
            found |= dict.fromkeys((*region.state(source).sequences,
                                    *region.state(target).sequences))  # fmt: skip
            was, now = ({**one.scales, **one.dial_scales} for one in (
                region.state(source), region.state(target)))
            found |= dict.fromkeys(name for name in {**was, **now}
                                   if was.get(name) != now.get(name))  # fmt: skip
    return tuple(found)


def _gated(system: System, region: Region, row: Row) -> tuple[str, ...]:
    """The outputs that a row switches by way of what is asked elsewhere of this region's state: a
    sensor that is wanted, a gauge that is shown.
    """
    asked = [(condition.when, f"{condition.rises.rpartition('.')[0]}.receiver")
             for condition in system.conditions if condition.key.startswith("proximity.")]
    asked += [(other.show, output) for other in system.regions if other.show is not None
              for output in {name: None for state in other.states for name in state.outputs}]
    found = []
    for expression, output in asked:
        for leaf in leaves(expression):
            if isinstance(leaf, Inside) and leaf.region == region.name and any(
                (source in leaf.states) != (target in leaf.states)
                for source in row.sources for target in region.entered_by(row)):
                found.append(output)
    return tuple(dict.fromkeys(found))


def _row(
    system: System, region: Region, row: Row, corners: Corners, numbers: Numbers,
    before: Sequence[str],
) -> Requirement:
    """The sentence of a row; `before` are the numbers of those that are tried before it."""
    window = corners.row(row)
    guard = f" and `{row.when_text}` holds" if row.when_text else ""
    if before:
        guard += f", unless {in_words(before, 'or')} fires"
    place = f"`{region.name}` is {_states(region, row.sources)}"
    pattern: Pattern = "while + when"
    if row.on is not None:
        start = f"While {place}, when `{row.on}` occurs{guard}"
    elif window is not None and window.ns:
        one = "that state" if len(row.sources) == 1 else "the same one"
        start = f"While {place}, when it has been in {one} for {span(window)}{guard}"
    else:
        pattern = "when"
        start = f"When `{region.name}` comes to be {_states(region, row.sources)}{guard}"
    acts: list[str] = []
    if row.to == "resume":
        points = in_words(f"`{point}`" for point in region.resume_points)
        if len(region.resume_points) > MOST_NAMED:
            points = f"its {len(region.resume_points)} resume points"
        acts.append(f"return to that of {points} in which it was last, the first of them before "
                    "any")  # fmt: skip
    elif row.to != "same":
        again = ", its time beginning anew," if row.to in row.sources else ""
        acts.append(f"enter `{row.to}`{again}")
    else:
        acts.append("stay as it is, its time running on,")
    if row.emit:
        acts.append(f"emit {in_words(f'`{event}`' for event in row.emit)}")
    return Requirement(
        number=numbers.of(region.name, row.on, row.after_ns is None, row.sources, row.when_text),
        pattern=pattern,
        text=f"{start}, `{region.name}` shall {' and '.join(acts).rstrip(',')}.",
        origin=row.key,
        part=region.name,
        keys=(row.key,),
        pins=(*changed_outputs(region, row), *_gated(system, region, row)),
    )


def _written(
    system: System, region: Region, corners: Corners, numbers: Numbers
) -> Iterable[Requirement]:
    known: dict[str, str] = {}
    for place, row in enumerate(region.rows):
        before = [known[other.key] for other in _before(region.rows[:place], row)]
        found = _row(system, region, row, corners, numbers, before)
        known[row.key] = found.number
        yield found


# -- outputs, start, rules -------------------------------------------------------------------------


def driven(system: System) -> dict[str, list[tuple[Region, str, Drive]]]:
    """For each output the states that drive it: (region, state, level)."""
    found: dict[str, list[tuple[Region, str, Drive]]] = {}
    for region in system.regions:
        for state in region.states:
            for name, drive in state.outputs.items():
                if drive.duty:
                    found.setdefault(name, []).append((region, state.name, drive))
    return found


LISTED = "at the level of the table below"


def _outputs(system: System, segments: Mapping[str, int], numbers: Numbers
             ) -> Iterable[Requirement]:  # fmt: skip
    steady, sequences = driven(system), played(system)
    for output, places in steady.items():
        if all(region.group == "proximity" for region, _, _ in places):
            continue  # told where the look is
        levels: dict[str, dict[str, list[str]]] = {}
        bars = ""
        for region, state, drive in places:
            if region.group == "gauge":
                bars = "with one segment for each bar that the gauge counts"
                bars += f", while `{region.show_text}` holds" if region.show_text else ""
                continue
            text = drive_text(drive, segments.get(output))
            levels.setdefault(text, {}).setdefault(region.name, []).append(f"`{state}`")
        if len(levels) > MOST_NAMED:
            said = [LISTED]
        else:
            said = [
                f"{'at ' if '%' in text else ''}{text} while "
                + in_words((f"`{name}` is in {in_words(states, 'or')}"
                            for name, states in where.items()), "or")
                for text, where in levels.items()]  # fmt: skip
        said += [bars] * bool(bars)
        yield Requirement(
            number=numbers.of(f"out-{output}", output),
            pattern="while",
            text=f"The firmware shall drive `{output}` {'; '.join(said)}; and off otherwise"
            f"{', but for what sequences give it' * (output in sequences)}.",
            origin=f"outputs: {output}",
            part=f"{OUTPUT}{output}",
            items=tuple(f"drive {region.name}:{state}" for region, state, _ in places),
            pins=(output,),
        )
    for output, where in sequences.items():
        yield Requirement(
            number=numbers.of(f"sequence-{output}", output), pattern="while",
            text=played_text(output, where, steady=output in steady),
            origin=f"outputs: {output}", part=f"{OUTPUT}{output}", pins=(output,),
            items=tuple(f"drive {name}:{state}" for regions in where.values()
                        for name, states in regions.items() for state in states),
        )  # fmt: skip
    for output in dict.fromkeys(name for region in system.regions for state in region.states
                                for name in (*state.scales, *state.dial_scales)):
        factors: dict[str, dict[str, list[str]]] = {}
        for region in system.regions:
            for one in region.states:
                if output in one.scales:
                    factors.setdefault(format_percent(one.scales[output]), {}).setdefault(
                        region.name, []).append(one.name)  # fmt: skip
                if output in one.dial_scales:
                    factors.setdefault(f"the value of `{one.dial_scales[output]}`", {}).setdefault(
                        region.name, []).append(one.name)  # fmt: skip
        if factors:
            said = [f"by {text} while " + in_words(
                (f"`{name}` is in {in_words((f'`{state}`' for state in states), 'or')}"
                 for name, states in where.items()), "or")
                for text, where in factors.items()]  # fmt: skip
            yield Requirement(
                number=numbers.of(f"scale-{output}", output), pattern="while",
                text=f"The firmware shall multiply the largest of the levels of `{output}` "
                     f"{'; '.join(said)}; where several of these factors hold, by their product.",
                origin=f"outputs: {output}", part=f"{OUTPUT}{output}", pins=(output,),
                items=(*(item for _, _, item in scaled_levels(system)
                         if item.split(" ")[2] == output),
                       *(f"drive {region.name}:{state}" for region, state, _ in
                         steady.get(output, ())
                         if output in {**region.state(state).scales,
                                       **region.state(state).dial_scales})),
            )  # fmt: skip


def _rule(rule: BoundRule, numbers: Numbers) -> Requirement:
    number = numbers.of("rule", rule.name)
    who = "The gadget" if is_of_the_whole(rule) else "The firmware"
    them = who[0].lower() + who[1:]
    if rule.kind == "never":
        pattern: Pattern = "always"
        text = f"{who} shall at no time let `{rule.statement_text}` hold"
    elif rule.kind == "always":
        pattern = "always"
        text = f"{who} shall at all times keep `{rule.statement_text}`"
    elif rule.kind == "stays":
        pattern = "while"
        text = (
            f"While `{rule.statement_text}` has held for less than "
            f"{format_duration(rule.for_ns or 0)}, {them} shall keep it so"
        )
    else:
        pattern = "when"
        text = (
            f"When `{rule.when_text}`, {them} shall bring about `{rule.then_text}` "
            f"within {format_duration(rule.within_ns or 0)}"
        )
    return Requirement(
        number=number, pattern=pattern, text=f"{text} ({rule.name}).", origin=rule.key, part=RULES
    )


def kept_origin(region: Region) -> str:
    """What the sentence on what a region keeps over a loss of the supply is made from."""
    return f"{'dials' if region.group == 'dials' else 'behaviour'}.{region.name}.kept"


def requirements(
    gadget: Gadget, system: System, rules: Sequence[BoundRule], corners: Corners,
    segments: dict[str, int],
) -> tuple[Requirement, ...]:
    """All sentences: power-up first, then part by part and region by region, outputs, rules."""
    from simfw.report.specification.stock import DESCRIBED, stock_requirements

    numbers = Numbers()
    kept = {region.name: numbers.of("keep", region.name) for region in system.regions
            if region.kept is not None}  # fmt: skip
    starts = in_words(
        first_state(region, f"after a loss as {kept.get(region.name)} says")
        for region in system.regions if region.group in ("dials", "behaviour"))
    backs = tuple(f"back {name}" for name in system.powered_by if system.holds)
    power_ups = ("power alone", "power usb", HELD, *backs)
    found = [
        Requirement(
            number=numbers.of("order", "power-up"),
            pattern="when",
            text="When the supply returns after a loss, and at first power-up, the firmware shall "
            f"begin anew{f', with {starts} and all else in its first state' if starts else ''}.",
            origin="starts",
            part=START,
            items=power_ups,
            pins=(*gadget.lights, *gadget.loads, *((HOLD,) if system.holds else ())),
        ),
    ]
    or_in_it = (", or in the instant in which the supply goes because the firmware has let go of it"
                if system.holds else "")  # fmt: skip
    for region in system.regions:
        if region.kept is not None:
            what = (f"`{region.name}` shall enter the state" if region.kept == "state" else
                    f"`{region.name}` shall take for what it resumes that")
            found.append(Requirement(
                number=kept[region.name], pattern="when",
                text=f"When the supply returns after a loss, {what} which stood settled before the "
                     f"instant of the loss{or_in_it}, in place of its first one.",
                keeps=region.name,
                origin=kept_origin(region),
                part=START))  # fmt: skip
    found += stock_requirements(gadget, system, corners, numbers)
    for region in system.regions:
        # A stock part that nothing describes is told by its rows, like a written region.
        if region.group not in DESCRIBED:
            found += _written(system, region, corners, numbers)
    found += _outputs(system, segments, numbers)
    found += [_rule(rule, numbers) for rule in rules]
    return tuple(found)
