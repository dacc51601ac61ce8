"""The whole check of one gadget: rows, search, circuit, gestures, rules, random runs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from simfw.behaviour.build import build_system
from simfw.behaviour.cycles import zero_time_loops
from simfw.behaviour.hold import may_let_go
from simfw.behaviour.region import System
from simfw.behaviour.rules import bind_rules
from simfw.errors import DescriptionError
from simfw.gadget.model import Gadget, Rule
from simfw.verify.abstraction import Electrics, reduce_system
from simfw.verify.acting import act_out
from simfw.verify.alone import ALONE_CHECKS, alone_checks
from simfw.verify.bars import bars_verdict
from simfw.verify.budget import Budget
from simfw.verify.builtin import CHECKS, chosen_checks
from simfw.verify.decide import (
    Question,
    Wide,
    by_gestures,
    decide,
    is_followed,
    monitor_of,
    not_followed,
    of_one_search,
    proved_by_reach,
    wide_search,
    with_coincidences,
)
from simfw.verify.detail import DETAILS
from simfw.verify.electrical import electrical_checks
from simfw.verify.explore import explore
from simfw.verify.falsify import TRACE_CHECKS, Broken, falsify
from simfw.verify.finding import Finding, Report, Verdict, Witness
from simfw.verify.gestures import has_fault, try_gestures
from simfw.verify.habits import habit_checks
from simfw.verify.letting_go import follows_letting_go
from simfw.verify.loads import loads_of
from simfw.verify.player import Player, when
from simfw.verify.reach import never_asked, reach_checks
from simfw.verify.static import finding, open_cells, row_checks
from simfw.verify.supply import cut_finding, supply_check
from simfw.verify.whole import Whole, search_whole

__all__ = ["check_gadget"]

S = 1_000_000_000
CLOCKS = ((9, 10), (11, 10))
RUNS = 100
WORK = 3_000_000
"""Units of work of one check, see `budget`."""
MOST_GESTURES = 600_000
MOST_ALONE = 300_000
MOST_RANDOM = 600_000
MOST_CHANCE = 1_500_000
OF_RULES = ("rule", "coincidence", "clock-margin", "power-cut")
"""The checks that speak of the rules of the file."""


def check_gadget(
    gadget: Gadget,
    *,
    clock: Callable[[], float] | None = None,
    seconds: float | None = None,
    effort: float = 1.0,
    rules: Sequence[Rule] = (),
    seed: int = 0,
    without: tuple[str, ...] = (),
    only: tuple[str, ...] = (),
    runs: int = RUNS,
    progress: Callable[[str], None] = lambda _text: None,
) -> Report:
    """Check `gadget` with its own rules and `rules`, with `effort` times the usual work.

    `without` and `only` choose among the built-in checks by name; the rules are read where one of
    the checks that speak of them is chosen. The answer depends on nothing but what is handed in,
    unless `clock` and `seconds` are: they end it sooner, and the report says so. Raises
    DescriptionError where a rule cannot be read.
    """
    wanted = chosen_checks(without, only)
    if clock is None or seconds is None:
        budget = Budget(int(WORK * effort))
    else:
        budget = Budget(int(WORK * effort), clock=clock, seconds=seconds)
    system = build_system(gadget)
    bound, problems = bind_rules((*gadget.rules, *rules), system.names)
    # A further rule is told by its place in the file that it stands in.
    bound = tuple(rule if n < len(gadget.rules) else replace(
        rule, key=f"rules[{n - len(gadget.rules)}] of the further rules")
        for n, rule in enumerate(bound))
    if problems:
        raise DescriptionError(problems)
    asks_rules = "rule" not in without and bool(wanted & set(OF_RULES))
    if asks_rules:
        wanted |= {"rule"}  # a rule that is told of as broken is a fault, whatever else was asked
    own = _own_rules(gadget, wanted)
    bound_own, problems = bind_rules(tuple(rule for rule, _ in own), system.names)
    assert not problems
    player = Player(gadget, (*rules, *(rule for rule, _ in own)))
    segments = gadget.segments

    found = [*row_checks(gadget, system), *habit_checks(gadget, system)]
    progress("searching all combinations of states")
    whole = search_whole(system, segments=segments, budget=budget.part(0.3))
    found += reach_checks(gadget, system, whole)
    found += _endless(player, system, whole)
    loads = loads_of(gadget, whole, player.prepared.circuit)
    found += electrical_checks(gadget, player.prepared.circuit, loads)
    if whole.endless:
        bound, bound_own, own = (), (), []  # a gadget that does not start keeps and breaks no rule
    questions = [Question(rule, "rule", f'Rule "{rule.name}"') for rule in bound if asks_rules]
    questions += [
        Question(rule, name, CHECKS[name].says[0].upper() + CHECKS[name].says[1:])
        for rule, (_, name) in zip(bound_own, own, strict=True)
    ]
    progress("gestures, one after another")
    tried = None
    if questions or not wanted.isdisjoint(ALONE_CHECKS):
        tried = try_gestures(player, [question.rule.name for question in questions],
                             budget.part(0.5, int(MOST_GESTURES * effort)))
        found += alone_checks(gadget, player, tried, wanted,
                              budget.part(0.5, int(MOST_ALONE * effort)))
    verdicts: list[Verdict] = []
    for place, question in enumerate(questions):
        progress(f"rule {place + 1} of {len(questions)}: {question.rule.name}")
        shown = None if tried is None else tried.broken.get(question.rule.name)
        if tried is not None and shown is not None:
            verdict, broken = by_gestures(question, player, *shown, tried.runs)
            if has_fault(shown[0]) and is_followed(system, monitor_of(question.rule)):
                # A charger that fails is the last thing to blame: perhaps it takes none.
                share = budget.part(max(0.3, 0.6 / (len(questions) - place)))
                other = decide(question, system, player, segments=segments, budget=share)
                if other[1] is not None:
                    verdict, broken = other[0], other[1]
        elif not is_followed(system, monitor_of(question.rule)):
            verdict, broken = not_followed(question), None
        elif never_asked(whole, monitor_of(question.rule)):
            verdict, broken = proved_by_reach(question, whole), None
        else:
            share = budget.part(max(0.3, 0.6 / (len(questions) - place)))
            verdict, broken = decide(question, system, player, segments=segments, budget=share)
        verdicts.append(verdict)
        found += [] if broken is None else [broken]
    proved = [place for place, one in enumerate(verdicts) if one.standing == "coincidence"]
    asked, told_of = [questions[place] for place in proved], [verdicts[place] for place in proved]
    count = 0
    player.make_room()  # the searches that follow are what needs most
    for group in of_one_search(asked, told_of, system, segments=segments):
        progress(f"coincidences, rules {count + 1} to {count + len(group)} of {len(proved)}")
        share = budget.part(0.9 * len(group) / (len(proved) - count),
                            int(MOST_CHANCE * effort) * len(group))
        wide = wide_search([asked[one] for one in group], told_of[group[0]], system, player,
                           segments=segments, budget=share.part(0.9))
        for number, one in enumerate(group):
            progress(f"coincidences and the supply, rule {count + 1} of {len(proved)}")
            place, count = proved[one], count + 1
            verdicts[place], more = _widened(
                questions[place], verdicts[place], system, segments,
                share.part(1 / (len(group) - number)), player, wanted, wide[number])
            found += more
        del wide, share  # it keeps all that it met, and the next one needs the room
    progress("random runs of the full model")
    open_rules = [verdict.rule for verdict in verdicts
                  if verdict.standing in ("unreproduced", "open")]
    checks = [name for name in TRACE_CHECKS if name in wanted and _applies(name, gadget)]
    by_name = {question.rule.name: question for question in questions}
    if whole.endless:
        checks = []
    if "bars-rise-unplugged" in checks and not may_let_go(system):
        bars = bars_verdict(gadget, system, player.prepared.circuit, segments,
                            budget.part(0.3, int(MOST_CHANCE * effort)))
        if bars is not None:
            verdicts.append(bars)
            checks.remove("bars-rise-unplugged")
    told = {one.witness.rule for one in found if one.check == "power-cut" and one.witness}
    when_dead = [verdict.rule for verdict in verdicts
                 if verdict.supply is False and verdict.rule not in told]
    for broken_run in falsify(player, open_rules, checks,
                              budget.part(0.8, int(MOST_RANDOM * effort)),
                              seed=seed, runs=runs, when_dead=when_dead):
        from_run = _from_run(player, broken_run, by_name)
        found.append(from_run)
        if from_run.level == "fault":
            verdicts = [
                replace(verdict, standing="broken", text="broken; found by random runs")
                if verdict.rule == broken_run.verdict.name else verdict
                for verdict in verdicts
            ]
    kept = [one for one in found if one.check in wanted]
    kept.sort(key=lambda one: (one.level != "fault", list(CHECKS).index(one.check)))
    return Report(
        gadget=gadget.head.name, findings=tuple(kept), verdicts=tuple(verdicts),
        open_cells=open_cells(system), reached=whole.states, combinations=whole.combinations,
        reached_all=whole.finished, sets=len(whole.parts), loads_left_out=loads.left_out,
        gestures=0 if tried is None else tried.runs,
        gestures_all=tried is not None and tried.finished, timed_out=budget.timed_out,
    )


def _own_rules(gadget: Gadget, wanted: frozenset[str]) -> list[tuple[Rule, str]]:
    """Built-in checks that are rules: (rule, name of the check)."""
    found = []
    if "sensor-runs-disabled" in wanted:
        for name, sensor in gadget.proximity.items():
            if sensor.enabled is not None:
                text = f"({name}.settling or {name}.emitting) and not ({sensor.enabled})"
                rule = Rule(name=f"{name} is off while not enabled", never=text)
                found.append((rule, "sensor-runs-disabled"))
    return found


def _applies(name: str, gadget: Gadget) -> bool:
    if name == "several-per-press":
        return bool(gadget.buttons)
    return gadget.gauge is not None and bool(gadget.gauge.thresholds)


def _endless(player: Player, system: System, whole: Whole) -> Iterable[Finding]:
    """Instants without end: those that the search met, and loops of rows that it did not meet."""
    at_power_up = {key for part in whole.parts for key in part.reduced.endless_rows}
    ways = [(part.reduced, loop, way) for part in whole.parts for loop, way in part.search.endless]
    met = at_power_up.union(*(way.steps[-1].outcome.rows for _, _, way in ways))
    rings = zero_time_loops(system)
    for ring in rings:
        if not met.issuperset(ring.rows):
            yield finding("endless-instant", ring.text, ring.rows)
    for loop in whole.endless:
        rows = next((ring.rows for ring in rings if at_power_up.issuperset(ring.rows)), ())
        yield finding("endless-instant", f"At power-up these follow one another without time "
                      f"passing: {' -> '.join(loop)}.", rows)
    for reduced, loop, way in ways:
        text = f"These follow one another without time passing: {' -> '.join(loop)}."
        witness = None
        for acts in act_out(player.written, reduced, way):
            scenario = player.scenario(acts.steps, 0.8, acts.end_ns + S)
            if player.play(scenario) is None:
                witness = Witness(scenario=replace(scenario, title="An instant without end"),
                                  rule="endless-instant", time_ns=acts.end_ns, why=text, list=())
                break
        fired = set(way.steps[-1].outcome.rows)
        rows = next((ring.rows for ring in rings if fired.issuperset(ring.rows)), ())
        yield replace(finding("endless-instant", text, rows), witness=witness)


def _clock_margin(
    question: Question, system: System, verdict: Verdict, segments: dict[str, int], budget: Budget,
    player: Player,
) -> Iterable[Finding]:
    """The rule at a slow and at a fast clock, at the detail that proved it at the nominal one."""
    monitor = monitor_of(question.rule)
    if not monitor.time_ns:
        return
    detail = next(one for one in DETAILS if one.says == verdict.detail)
    electrics = Electrics(player.written, player.prepared.circuit)
    for part, whole in CLOCKS:
        reduced = reduce_system(_scaled(system, part, whole), [monitor], detail,
                                segments=segments, electrics=electrics)
        search = explore(reduced.machine, reduced.starts, apart=True, budget=budget.part(0.5))
        if search.broken:
            slow = "slow" if part > whole else "fast"
            yield finding("clock-margin", f"{question.text} holds at the nominal clock, and breaks "
                          f"with the clock {abs(part - whole) * 100 // whole} % {slow}.",
                          [question.rule.key])
            return


def _widened(
    question: Question, verdict: Verdict, system: System, segments: dict[str, int], budget: Budget,
    player: Player, wanted: frozenset[str], wide: Wide,
) -> tuple[Verdict, list[Finding]]:
    """What becomes of a proof with the clock off, with the supply failing, with coincidences."""
    found: list[Finding] = []
    holds = None
    if "clock-margin" in wanted:
        found += _clock_margin(question, system, verdict, segments, budget.part(0.3), player)
    if "power-cut" in wanted:
        holds, shown = supply_check(
            question.rule.name, question.text, monitor_of(question.rule), system, player, verdict,
            segments=segments, budget=budget.part(0.8))
        found += [] if shown is None else [shown]
    verdict, chance = with_coincidences(question, verdict, system, player, wide,
                                        segments=segments, budget=budget)
    found += [] if chance is None else [chance]
    verdict = replace(verdict, supply=holds,
                      let_go=follows_letting_go(system, monitor_of(question.rule)))
    return replace(verdict, text=verdict.text + verdict.of_supply), found


def _scaled(system: System, part: int, whole: int) -> System:
    """The system with every dwell longer or shorter: the firmware's clock is off."""
    regions = tuple(
        replace(region, rows=tuple(
            row if row.after_ns is None else replace(row, after_ns=row.after_ns * part // whole)
            for row in region.rows
        ))
        for region in system.regions
    )
    return replace(system, regions=regions)


def _off_clock(player: Player, broken: Broken, questions: dict[str, Question]) -> Finding:
    """What broke only with everything done longer or shorter: a note on the clock."""
    verdict, scenario = broken.verdict, broken.scenario
    question = questions.get(verdict.name)
    if question is not None:
        says = question.text
        witness = player.witness(scenario, verdict, title=f"Breaks: {verdict.name}")
    else:
        says = CHECKS[verdict.name].says
        witness = player.trace_witness(scenario, verdict)
    fast = broken.clock > 1.0
    return replace(finding(
        "clock-margin", f"{says[0].upper()}{says[1:]}: seen with a clock 10 % "
        f"{'fast' if fast else 'slow'}, for which everything lasts 10 % "
        f"{'longer' if fast else 'less long'}: {witness.why} "
        f"{when(witness.time_ns)}."), witness=witness)


def _from_run(player: Player, broken: Broken, questions: dict[str, Question]) -> Finding:
    """A finding of a random run, as short as it gets."""
    verdict, scenario = broken.verdict, broken.scenario
    question = questions.get(verdict.name)
    if question is not None and broken.dead and question.rule.kind in ("response", "stays"):
        return cut_finding(verdict.name, question.text, player, scenario, verdict)
    if broken.clock != 1.0:
        return _off_clock(player, broken, questions)
    if question is not None:
        shortened = player.shorten(scenario, verdict.name)
        witness = player.witness(*(shortened or (scenario, verdict)),
                                 title=f"Breaks: {verdict.name}")
        text = f"{question.text} is broken: {witness.why} {when(witness.time_ns)}."
        return Finding(check=question.check, level="fault", text=text,
                       rows=(question.rule.key,), witness=witness)
    witness = player.trace_witness(scenario, verdict)
    says = CHECKS[verdict.name].says
    return replace(
        finding(verdict.name, f"{says[0].upper()}{says[1:]}: {witness.why} "
                f"{when(witness.time_ns)}."),
        witness=witness,
    )

