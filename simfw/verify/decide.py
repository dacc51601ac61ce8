"""Deciding one rule: search coarse, refine, and play every suspicion on the full model.

A rule that holds in a machine which can do more than the gadget holds for the gadget. A rule that
breaks there is only suspected: the way is acted out on the full model, and where that does not
break it, the search is repeated with more detail.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain

from simfw.behaviour import expression as ex
from simfw.behaviour.hold import may_let_go
from simfw.behaviour.region import System
from simfw.behaviour.rules import BoundRule
from simfw.circuit.circuit import Circuit
from simfw.engine.run import RuleVerdict
from simfw.stimuli.scenario import Scenario
from simfw.verify.abstraction import Electrics, Reduced, reduce_system
from simfw.verify.acting import act_out
from simfw.verify.budget import Budget
from simfw.verify.detail import BANDED, DETAILS, LADDER, Detail
from simfw.verify.explore import Explored, Way, explore
from simfw.verify.finding import Finding, Verdict, Witness
from simfw.verify.letting_go import is_still
from simfw.verify.machine import Monitor
from simfw.verify.player import Player, when
from simfw.verify.whole import Whole

__all__ = [
    "Question",
    "Wide",
    "by_gestures",
    "decide",
    "is_followed",
    "monitor_of",
    "not_followed",
    "of_one_search",
    "proved_by_reach",
    "telling_charges",
    "wide_search",
    "with_coincidences",
]

ELECTRICAL = {*ex.CONTINUOUS, "status.low", "status.high"}
TRIES = 40
CHANCE_TRIES = 8
DRAINING_S = 2 * 3600
GESTURES = "one gesture of a person after another on the full model"
S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Question:
    """A rule to decide. `check` names the finding when it breaks; `text` says what broke."""

    rule: BoundRule
    check: str
    text: str


def monitor_of(rule: BoundRule) -> Monitor:
    """The rule as the search watches it."""
    if rule.kind == "never" and rule.statement is not None:
        return Monitor(name=rule.name, kind="never", when=rule.statement)
    if rule.kind == "always" and rule.statement is not None:
        return Monitor(name=rule.name, kind="never", when=ex.Not(rule.statement))
    if rule.kind == "stays" and rule.statement is not None:
        return Monitor(name=rule.name, kind="stay", when=rule.statement, time_ns=rule.for_ns or 0)
    assert rule.when is not None
    assert rule.then is not None
    return Monitor(name=rule.name, kind="answer", when=rule.when, then=rule.then,
                   time_ns=rule.within_ns or 0)


def telling_charges(
    circuit: Circuit, limits: Sequence[float], counted: Sequence[float] = ()
) -> list[float]:
    """Charges of the cell around which the voltages `limits` (V) are crossed, then full and 80 %.

    For each limit the charge whose open-circuit voltage is a little above it, for a little load and
    for a large one, found by halving the interval. `counted`: charges at which a count is at a
    limit; just above and just below each.
    """
    found = [round(charge + side, 5) for side in (1e-5, 1e-4, -1e-5, 1e-3) for charge in counted
             if 0.0002 < charge + side < 0.9995]
    for lift in (0.004, 0.015, 0.05, -0.002, 0.001, 0.1):
        for limit in limits:
            low, high = 0.0, 1.0
            for _ in range(30):
                middle = (low + high) / 2
                if float(circuit.open_circuit_v(middle)) < limit + lift:
                    low = middle
                else:
                    high = middle
            if 0.0002 < high < 0.9995:
                found.append(round(high, 5))
    return list(dict.fromkeys([0.8, *found, 1.0]))


def decide(
    question: Question,
    system: System,
    player: Player,
    *,
    segments: Mapping[str, int],
    budget: Budget,
    limit: int | None = None,
) -> tuple[Verdict, Finding | None]:
    """What is known of the rule after searching as long as `budget` allows.

    A rule that is proved here is proved as long as nothing coincides by chance (the standing
    "coincidence"); `with_coincidences` goes on from there.
    """
    rule = question.rule
    monitor = monitor_of(rule)
    electrics = Electrics(player.written, player.prepared.circuit)
    search: Explored | None = None
    reduced: Reduced | None = None
    runs = player.runs
    hunted = False

    def shown(
        found: Iterable[tuple[Explored, Reduced]], trying: Budget, told: Explored, of: Reduced
    ) -> tuple[Verdict, Finding] | None:
        for suspicion, machine in found:
            witness = _reproduce(question, player, machine, suspicion, trying)
            if witness is not None:
                return (
                    _verdict(question, "broken", told, of, player.runs - runs),
                    Finding(check=question.check, level="fault", text=_broken(question, witness),
                            rows=_rows(suspicion), witness=witness),
                )
        return None

    details = _details(system, monitor, segments)
    for number, detail in enumerate(details):
        last = number + 1 == len(details)
        reduced = reduce_system(system, [monitor], detail, segments=segments, electrics=electrics)
        search = explore(reduced.machine, reduced.starts, apart=True,
                         budget=budget.part(0.9 if last else 0.7), limit=limit)
        if not search.broken:
            if search.finished and not reduced.endless:
                return _verdict(question, "coincidence", search, reduced,
                                player.runs - runs), None
            if detail.bands and not last:
                continue
            break
        found: Iterable[tuple[Explored, Reduced]] = [(search, reduced)]
        if not hunted:
            hunted = True
            found = chain(_hunt(system, monitor, segments, budget.part(0.2), limit), found)
        broken = shown(found, budget.part(0.3), search, reduced)
        if broken is not None:
            return broken
        if budget.over():
            break
    assert search is not None
    assert reduced is not None
    if search.broken and reduced.machine.letting and not reduced.detail.bands:
        # What it breaks on may rest on a supply that stays where it goes at once.
        prompt = reduce_system(system, [monitor], LADDER[-1], segments=segments, prompt=True)
        hunt = explore(prompt.machine, prompt.starts, apart=True, budget=budget.part(0.5),
                       limit=limit)
        broken = shown([(hunt, prompt)] if hunt.broken else (), budget.part(0.3), hunt, prompt)
        if broken is not None:
            return broken
    standing = "unreproduced" if search.broken else "open"
    return _verdict(question, standing, search, reduced, player.runs - runs), None


def is_followed(system: System, monitor: Monitor) -> bool:
    """Whether the search sees all that bears on a rule.

    Where a firmware lets go of its supply, it is not followed what the cell does meanwhile.
    """
    return (not may_let_go(system) or not _reads(monitor) & set(ex.CONTINUOUS)
            or is_still(system, monitor))


def not_followed(question: Question) -> Verdict:
    """What is known of a rule that no search follows, and why: see `is_followed`."""
    monitor = monitor_of(question.rule)
    why = ("this rule may break then" if monitor.kind == "never" else
           "the time of this rule goes on then")
    return Verdict(
        rule=question.rule.name, standing="open", states=0, finished=False, detail=GESTURES,
        text="not decided: the firmware lets go of its supply, and the search does not follow what "
             f"the cell does meanwhile: {why}; gestures and random runs tried to break it",
    )


def by_gestures(
    question: Question, player: Player, scenario: Scenario, verdict: RuleVerdict, runs: int
) -> tuple[Verdict, Finding]:
    """A rule that gestures break, one after another, as `scenario` shows."""
    shortened = player.shorten(scenario, question.rule.name) or (scenario, verdict)
    witness = player.witness(*shortened, title=f"Breaks: {question.rule.name}")
    return (
        Verdict(rule=question.rule.name, standing="broken", states=0, finished=False,
                text=f"broken; found among {runs} runs of gestures", detail=GESTURES, replays=runs),
        Finding(check=question.check, level="fault", text=_broken(question, witness),
                rows=(question.rule.key,) if question.check == "rule" else (), witness=witness),
    )


def proved_by_reach(question: Question, whole: Whole) -> Verdict:
    """A rule that asks for states which the search of all regions has shown no way to."""
    return _verdict(question, "coincidence", whole, whole, 0)


def _details(
    system: System, monitor: Monitor, segments: Mapping[str, int]
) -> tuple[Detail, ...]:
    """The details to try, the coarsest first.

    Where a reading of the cell matters, its charge is followed; and where the rule itself asks for
    one, no detail that leaves readings free can prove it.
    """
    rough = reduce_system(system, [monitor], LADDER[0], segments=segments)
    ladder = [detail for detail in LADDER if not detail.share or monitor.time_ns]
    if rough.machine.letting is not None and not is_still(system, monitor):
        return tuple(ladder)  # bands do not know what stands while the supply is let go of
    if _reads(monitor) & set(ex.CONTINUOUS):
        return (BANDED[0], ladder[0], BANDED[1])
    if set(rough.free) & set(ex.CONTINUOUS):
        return (ladder[0], BANDED[0], *ladder[1:-1], BANDED[1], ladder[-1])
    return tuple(ladder)


def _reads(monitor: Monitor) -> frozenset[str]:
    read = ex.names_in(monitor.when).quantities
    return read if monitor.then is None else read | ex.names_in(monitor.then).quantities


MEANS: tuple[Callable[[str], bool], ...] = (
    lambda name: not name.endswith(".look") and not name.startswith(("usb", "status", "gauge")),
    lambda name: not name.endswith(".look") and not name.startswith(("status", "gauge")),
    lambda name: not name.startswith(("usb", "status", "gauge")),
)
HUNT_LIMIT = 4000


def _hunt(
    system: System, monitor: Monitor, segments: Mapping[str, int], budget: Budget,
    limit: int | None,
) -> Iterator[tuple[Explored, Reduced]]:
    """Ways that need few means: first only buttons, then also the USB plug, then also hands.

    Such a way is the easiest to act out; the general search may come upon one first that depends on
    a sample of the gauge at just the right moment.
    """
    coarse, fine = LADDER[0], next(detail for detail in LADDER if detail.name == "contacts")
    rough = reduce_system(system, [monitor], coarse, segments=segments)
    reduced = reduce_system(system, [monitor], fine, segments=segments)
    most = min(limit or HUNT_LIMIT, HUNT_LIMIT)
    for allow in MEANS:
        if not explore(rough.machine, rough.starts, apart=True, budget=budget, limit=most,
                       allow=allow).broken:
            continue
        search = explore(reduced.machine, reduced.starts, apart=True, budget=budget,
                         limit=most, allow=allow)
        if search.broken:
            yield search, reduced
        if budget.over():
            return


@dataclass(frozen=True, slots=True)
class Wide:
    """A search with every coincidence, and which of its monitors is the rule's."""

    search: Explored
    reduced: Reduced
    number: int

    @property
    def broken(self) -> bool:
        """Whether it breaks the rule."""
        return self.number in self.search.broken

    @property
    def proved(self) -> bool:
        """Whether it shows that nothing does."""
        return self.search.finished and not self.broken


def of_one_search(
    questions: Sequence[Question], verdicts: Sequence[Verdict], system: System,
    *, segments: Mapping[str, int],
) -> list[list[int]]:
    """The places of the questions that one search with every coincidence can serve: those that ask
    for the same regions at the same detail. Where the charge is followed each has bands of its own;
    those come last, since they take longest.
    """
    groups: dict[object, list[int]] = {}
    for place, (question, verdict) in enumerate(zip(questions, verdicts, strict=True)):
        monitor = monitor_of(question.rule)
        detail = next(one for one in DETAILS if one.says == verdict.detail)
        key: object = place
        if not detail.bands:
            reduced = reduce_system(system, [monitor], detail, segments=segments)
            key = (detail.name, reduced.kept, reduced.collapsed, reduced.machine.flags,
                   monitor.time_ns if detail.share else 0)
        groups.setdefault(key, []).append(place)
    return sorted(groups.values(), key=lambda places: next(
        one.bands for one in DETAILS if one.says == verdicts[places[0]].detail))


def wide_search(
    questions: Sequence[Question], verdict: Verdict, system: System, player: Player,
    *, segments: Mapping[str, int], budget: Budget, limit: int | None = None,
) -> list[Wide]:
    """The search with every coincidence at the detail of `verdict`, for all `questions` at once."""
    detail = next(one for one in DETAILS if one.says == verdict.detail)
    reduced = reduce_system(
        system, [monitor_of(one.rule) for one in questions], detail, segments=segments,
        electrics=Electrics(player.written, player.prepared.circuit), closing=True)
    search = explore(reduced.machine, reduced.starts, budget=budget, limit=limit)
    return [Wide(search, reduced, number) for number in range(len(questions))]


def with_coincidences(
    question: Question, verdict: Verdict, system: System, player: Player, wide: Wide,
    *, segments: Mapping[str, int], budget: Budget, limit: int | None = None,
) -> tuple[Verdict, Finding | None]:
    """A rule that holds when nothing coincides by chance, now with every coincidence.

    `wide` is the search at the detail that proved it; where it breaks the rule there, more detail
    follows.
    """
    monitor = monitor_of(question.rule)
    details = _details(system, monitor, segments)
    number = next(k for k, one in enumerate(details) if one.says == verdict.detail)
    runs = player.runs
    for detail in details[number:]:
        if details[number].bands and not detail.bands:
            continue
        if detail is not details[number]:
            wide, = wide_search([question], replace(verdict, detail=detail.says), system, player,
                                segments=segments, budget=budget.part(0.6), limit=limit)
        if wide.proved:
            return _verdict(question, "proved", wide.search, wide.reduced, player.runs - runs), None
        if not wide.broken:
            break
        witness = _reproduce(question, player, wide.reduced, wide.search, budget.part(0.3),
                             CHANCE_TRIES, (wide.number,))
        if witness is not None:
            text = (
                f"{question.text} holds unless two things happen in the very same nanosecond; then "
                f"it breaks."
            )
            return verdict, Finding(check="coincidence", level="note", text=text,
                                    rows=_rows(wide.search, wide.number), witness=witness)
    return verdict, None


def _rows(search: Explored, number: int = 0) -> tuple[str, ...]:
    """The rows of written regions that fired on the shortest way to break a monitor."""
    rows: dict[str, None] = {}
    for step in search.broken[number].steps:
        rows.update((key, None) for key in step.outcome.rows if key.startswith("behaviour."))
    return tuple(rows)


def _reproduce(
    question: Question, player: Player, reduced: Reduced, search: Explored,
    budget: Budget, most: int = TRIES, numbers: Sequence[int] = (0,),
) -> Witness | None:
    """Act the way out on the full model, at several charges of the cell where voltages matter."""
    rule = question.rule
    extras = [(rule.within_ns or 0) + 2 * S]
    if reduced.detail.bands:
        extras.append(extras[0] + DRAINING_S * S)  # a cell takes its time to run down
    tries = 0
    for way in (search.broken[number] for number in numbers):
        for charge, shift in _settings(player, reduced, way):
            for acts in act_out(player.written, reduced, way, shift=shift):
                for extra in extras:
                    if tries >= most or (tries > 2 and budget.over()):
                        return None
                    tries += 1
                    scenario = player.scenario(acts.steps, charge, acts.end_ns + extra)
                    with player.charged(budget):
                        if player.breaks(scenario, rule.name) is None:
                            continue
                        shortened = player.shorten(scenario, rule.name)
                    if shortened is not None:
                        return player.witness(*shortened, title=f"Breaks: {rule.name}")
    return None


def _settings(player: Player, reduced: Reduced, way: Way) -> Iterator[tuple[float, int]]:
    charges = [0.8]
    if reduced.machine.cell is not None:
        low, high = reduced.machine.cell.charges(way.start.config)
        charges = [low + share * (high - low) for share in (0.5, 0.9, 0.1)]
    elif ELECTRICAL & set(reduced.free) or any(
        region in ("gauge", "cell") for region in reduced.kept
    ):
        limits = sorted({
            value
            for name in ("gauge.measured", "cell.voltage")
            for value in reduced.limits.get(name, ())
        })
        counter = player.prepared.circuit.counter
        counted = () if counter is None else tuple(
            counter.charge_at(level) for level in reduced.limits.get("gauge.counted", ()))
        charges = telling_charges(player.prepared.circuit, limits, counted)
    for charge in charges:
        yield charge, 0
    if any(name.endswith(".look") for name in reduced.kept):
        for shift in (2, 4, 6, 1, 3, 5, 7):
            yield charges[0], shift


def _broken(question: Question, witness: Witness) -> str:
    return (
        f"{question.text} is broken: {witness.why} {when(witness.time_ns)} of a scenario of "
        f"{witness.steps} step{'' if witness.steps == 1 else 's'}."
    )


def _verdict(
    question: Question, standing: str, search: Explored | Whole, reduced: Reduced | Whole,
    replays: int,
) -> Verdict:
    count = f"{search.states} state{'' if search.states == 1 else 's'}"
    unproved = (f"not decided: the search stopped after {count} with more to see; that those seen "
                f"do not break it says nothing of the others")
    if search.finished and reduced.endless:
        unproved = (f"not decided: {count} do not break it, but with some things left free an "
                    f"instant had no end ({' and '.join(reduced.endless[0])})")  # fmt: skip
    text = {
        "proved": f"proved over {count}",
        "broken": f"broken; found after {count}",
        "coincidence": f"proved over {count} as long as nothing coincides to the nanosecond by "
                       f"chance",
        "unreproduced": f"not decided: with some things left free the search breaks it after "
                        f"{count}, and {replays} runs of the full model did not; it may break or "
                        f"not",
        "open": unproved,
    }[standing]
    return Verdict(
        rule=question.rule.name, standing=standing,  # type: ignore[arg-type]
        text=text, states=search.states, finished=search.finished, detail=reduced.detail.says,
        free=reduced.free, replays=replays,
    )
