"""Compares a firmware that runs on this host with the model, over the line protocol.

The firmware is a program that speaks the lines described in docs/reference/line-protocol.md. It is
driven with test vectors, scenarios, recordings and random stimuli; the first place where it tells
something else than the model ends a comparison, with the stimuli that led there.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from simfw.behaviour.region import System
from simfw.circuit.circuit import Circuit
from simfw.conform.coarse import Told, earliest, first_apart, on_ticks, tick_told
from simfw.conform.held import Held, about, held_against, signal
from simfw.conform.program import shown, talk_to
from simfw.errors import UsageError
from simfw.vectors.replay import Exchange, Replay, Replayer
from simfw.vectors.sketch import Act

__all__ = ["Difference", "Drive", "Firmware", "compare", "random_difference", "shrunk",
           "time_of"]  # fmt: skip

MS = 1_000_000
MOST_TRIES = 60  # runs that may be spent on making a witness shorter
LEAST_BYTES = 1_000_000  # what a program may always answer, however little is asked
KINDS = ("event", "out", "wake", "sleep")
ASK = "ask "
NO_ANSWER = "error no answer in time"
NOTHING_MORE = "nothing more"


@dataclass(frozen=True, slots=True)
class Drive:
    """What a firmware is driven with: a name for people, the acts, and what the model does. One
    that is `exact` depends on the order of things that lie close together.
    """

    name: str
    charge: float
    acts: tuple[Act, ...]
    ends_ns: int
    replay: Replay
    exact: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Where a firmware parts from the model: `expected` and `told` are lines, or nothing more.

    `hung` tells that it did not end in time; `complaint` is what it wrote last to its standard
    error, where it ended early or in a failure.
    """

    drive: Drive
    time_ns: int
    expected: str
    told: str
    hung: bool = False
    complaint: str = ""

    def __str__(self) -> str:
        if self.told.startswith(ASK):
            return (f"{self.drive.name}: the firmware asks for `{shown(self.told[len(ASK):])}`, a "
                    "number that the model never reads and that it gets no answer for.")
        return (f"{self.drive.name}: the model says `{self.expected}`, "
                f"the firmware says `{shown(self.told)}`."
                + (" It hangs, and was stopped." if self.hung else "")
                + (f" It complained: {self.complaint}." if self.complaint else ""))


class Firmware:
    """A program behind the line protocol. It is started anew for each drive.

    `within_ns` is how far the time of a report may be off; a tick that it tells in its answer to
    `hello` is allowed too. Events, and wake and sleep, are compared
    only if the program tells any; `told` collects which kinds it tells.
    """

    def __init__(self, program: str | Path, *, within_ns: int = 0, timeout_s: float = 60.0) -> None:
        self.program = Path(program).resolve()
        self.within_ns = within_ns
        self.timeout_s = timeout_s
        self.tick_ns = 1
        self.told: set[str] = set()
        self.complaint = ""

    def say_hello(self) -> str:
        """Ask the program who it is; UsageError if it does not speak the protocol."""
        answer = self.talk(["hello"])
        if not answer or not answer[0].startswith("hello 1"):
            heard = f"`{shown(answer[0])}`" if answer else "nothing"
            also = f" It complained: {self.complaint}." if self.complaint else ""
            raise UsageError(f"{self.program} does not speak the line protocol: it answered "
                             f"{heard} to `hello`; `hello 1` was expected.{also}")  # fmt: skip
        self.tick_ns = tick_told(answer[0])
        self.within_ns = max(self.within_ns, self.tick_ns if self.tick_ns > 1 else 0)
        return answer[0]

    def talk(self, lines: Sequence[str], most_bytes: int = LEAST_BYTES) -> list[str]:
        """Send lines, then `quit`; all that the program answers.

        A program that fails, hangs or answers more than `most_bytes` has a last line `error ...`;
        `complaint` is the end of what it wrote to its standard error.
        Raises UsageError for one that cannot be run.
        """
        answer = talk_to(self.program, "\n".join([*lines, "quit", ""]), timeout_s=self.timeout_s,
                         most_bytes=most_bytes)
        self.complaint = answer.complaint
        return [*answer.text.splitlines(), *([f"error {answer.failed}"] if answer.failed else [])]

    def differs(self, drive: Drive) -> Difference | None:
        """Drive the firmware and compare; None where it does what the model does."""
        held = held_against(drive.replay, self.within_ns)
        exchanges = held.exchanges
        answered = self.talk(held.lines, LEAST_BYTES + 4 * held.most)
        answers = [_due(held.word(place), lines) for place, lines in enumerate(_split(answered))]
        kinds = {line.partition(" ")[0] for line in answered} & set(KINDS)
        self.told |= kinds
        compared = {"out", *self.told}
        compared |= {"wake", "sleep"} if compared & {"wake", "sleep"} else set()
        if answers == held.lines_due(compared):
            return None  # to the letter, as nearly every answer is
        answers = [_needed(held, place, lines) for place, lines in enumerate(answers)]
        hung = answered[-1:] == [NO_ANSWER]
        if self.within_ns:
            found = self._apart_within(held, answers, compared)
        else:
            found = _first_apart(held, answers, compared)
        asked = _first_ask(exchanges, answers)
        if found is not None and asked is not None and asked[0] <= found[0]:
            found = asked  # what it does not tell any more, it does not tell for want of an answer
        if found is None:
            return None
        time_ns, expected, told = found
        ended = told == NOTHING_MORE or told.startswith("error ")
        return Difference(drive=drive, time_ns=time_ns, expected=expected, told=told, hung=hung,
                          complaint=self.complaint if ended else "")

    def _apart_within(self, held: Held, answers: Sequence[Sequence[str]], kinds: set[str]
                      ) -> tuple[int, str, str] | None:  # fmt: skip
        """The first difference with a tolerance: reports may come in the answer before or after,
        and those of different outputs may change places.
        """
        told: dict[tuple[str, ...], list[Told]] = {}
        found: list[tuple[int, str, str]] = []
        begin = 0
        for place, exchange in enumerate(held.exchanges):
            end = exchange.ends_ns
            for line in answers[place] if place < len(answers) else [NOTHING_MORE]:
                words = line.split(" ")
                if words[0] not in KINDS:
                    found.append((end, "nothing", line))  # no report at all
                elif words[0] in kinds:
                    time_ns = _time_in(words)
                    fits = begin - self.within_ns <= time_ns <= end + self.within_ns
                    told.setdefault(about(words), []).append((time_ns if fits else end, line))
            begin = end
        apart = first_apart(held.exchanges, told, held.wanted(kinds), self.within_ns, self.tick_ns)
        if apart is not None:
            found.append(apart)
        return min(found, key=lambda one: one[0], default=None)


def _due(word: str, answer: list[str]) -> list[str]:
    """An answer without what need not be told: that outputs are off where the supply is lost, that
    the controller wakes where it comes. `word` is the first of the message that is answered.
    """
    if word == "power":
        return [line for line in answer if not line.startswith("wake ")]
    if word == "off":
        return [line for line in answer if not line.startswith("sleep ")
                and not (line.startswith("out ") and line.endswith(" 0"))]
    return answer


def _needed(held: Held, place: int, answer: list[str]) -> list[str]:
    """An answer without wakings that end in the instant in which they begin, where the model has
    none: an edge, or the end of a time, wakes a controller that has nothing to do then. Where the
    model goes to sleep, having been awake, a waking is one too many, and stays.
    """
    if place >= len(held.exchanges) or not any(line.startswith("wake ") for line in answer):
        return answer
    told = set(answer)
    within_ns = held.within_ns
    kept = ("wake",) if within_ns else ("wake", "sleep")
    wakes = [one.time_ns for one in held.exchanges[place].reports if one.kind in kept]  # in order

    def near(time_ns: int) -> bool:
        place = bisect_left(wakes, time_ns - within_ns)
        return place < len(wakes) and wakes[place] <= time_ns + within_ns

    times = (line.removeprefix("wake ") for line in answer if line.startswith("wake "))
    short = {time for time in times
             if f"sleep {time}" in told and not near(time_of(f"wake {time}"))}  # fmt: skip
    return [line for line in answer if line.partition(" ")[2] not in short
            or not line.startswith(("wake ", "sleep "))]  # fmt: skip


def _first_apart(held: Held, answers: Sequence[Sequence[str]], kinds: set[str]
                 ) -> tuple[int, str, str] | None:  # fmt: skip
    """The first difference to the nanosecond: when, what was expected, what was told."""
    begin = 0
    for place, expected in enumerate(held.due(kinds)):
        told = answers[place] if place < len(answers) else [NOTHING_MORE]
        end = held.exchanges[place].ends_ns
        found = _compare(expected, told, kinds, begin, end)
        if found is not None:
            return found
        begin = end
    return None


def _first_ask(exchanges: Sequence[Exchange], answers: Sequence[Sequence[str]]
               ) -> tuple[int, str, str] | None:  # fmt: skip
    """The first question for a number that was never set, as a difference: it stands unanswered."""
    begin = 0
    for exchange, told in zip(exchanges, answers, strict=False):
        before = begin
        for line in told if any(line.startswith(ASK) for line in told) else ():
            if line.startswith(ASK):
                return before, "nothing", line
            before = max(before, min(time_of(line), exchange.ends_ns))
        begin = exchange.ends_ns
    return None


def _split(lines: Sequence[str]) -> list[list[str]]:
    """The answers to each message: what stands before each `ok`."""
    answers: list[list[str]] = [[]]
    for line in lines:
        if line == "ok":
            answers.append([])
        else:
            answers[-1].append(line)
    return answers if answers[-1] else answers[:-1]


def time_of(line: str) -> int:
    """The time in a line that a firmware told, -1 where there is none."""
    return _time_in(line.split(" "))


def _time_in(words: Sequence[str]) -> int:
    if len(words) > 1 and words[1].isascii() and words[1].isdigit() and len(words[1]) < 20:
        return int(words[1])
    return -1


def _compare(expected: Sequence[Told], told: Sequence[str], kinds: set[str],
             begin_ns: int, end_ns: int) -> tuple[int, str, str] | None:
    """The first difference within one exchange: when, what was expected, what was told.

    The exchange goes from `begin_ns` to `end_ns`. Of two times the earlier one is named: that is
    when the two can first be told apart.
    """
    got = [line for line in told
           if (kind := line.partition(" ")[0]) in kinds or kind not in KINDS]
    if got == [line for _, line in expected]:
        return None

    def time_told(line: str) -> int:
        time = time_of(line)
        return time if begin_ns <= time <= end_ns else end_ns

    def first(expected: Sequence[Told], got: Sequence[str]) -> tuple[int, str, str] | None:
        for (time_ns, wanted), line in zip(expected, got, strict=False):
            if wanted != line:
                return min(time_ns, time_told(line)), wanted, line
        if len(expected) > len(got):
            return (*expected[len(got)], "nothing")
        if len(got) > len(expected):
            line = got[len(expected)]
            return time_told(line), "nothing", line
        return None

    # Of the reports of one instant, those of different signals may stand in any order.
    wanted: dict[tuple[str, ...], list[Told]] = {}
    heard: dict[tuple[str, ...], list[str]] = {}
    for one in expected:
        wanted.setdefault(signal(one[1].split(" ")), []).append(one)
    for line in got:
        heard.setdefault(signal(line.split(" ")), []).append(line)
    found = [first(wanted.get(which, []), heard.get(which, []))
             for which in dict.fromkeys([*wanted, *heard])]
    return earliest([one for one in found if one is not None], (line for _, line in expected))


def compare(firmware: Firmware, drives: Sequence[Drive],
            progress: Callable[[int, int], None] | None = None) -> Difference | None:
    """Drive the firmware with all of `drives`; the first difference."""
    for done, drive in enumerate(drives):
        if progress is not None:
            progress(done, len(drives))
        found = firmware.differs(drive)
        if found is not None:
            return found
    return None


# -- random stimuli --------------------------------------------------------------------------------


def _acts(names: Sequence[tuple[str, str, float]], script: Sequence[tuple[int, int]]
          ) -> tuple[Act, ...]:
    """Acts from a script of (gap in units of 1 ms, which input): each toggles its input."""
    now = 0
    on: dict[str, bool] = {}
    acts = []
    for gap_ms, which in script:
        now += gap_ms * MS
        kind, name, value = names[which % len(names)]
        on[name] = not on.get(name, False)
        off = -1.0 if kind == "hand" else 1.0 - value
        touched = on[name] or kind == "measure"  # which goes from one value to another
        acts.append(Act(now, kind, name, value if touched else off))
    return tuple(acts)


class _HungError(Exception):
    """The firmware did not end in time."""


def random_difference(firmware: Firmware, system: System, circuit: Circuit,
                      segments: Mapping[str, int], inputs: Sequence[tuple[str, str, float]],
                      gaps_ms: Sequence[int], *, examples: int, seed: int) -> Difference | None:
    """Drive the firmware with random stimuli; the first difference, made as short as can be.

    `inputs` are (kind, name, value when touched); `gaps_ms` times worth trying between two changes.
    The supply goes and comes back like one more of the inputs.
    """
    from hypothesis import HealthCheck, Phase, find, settings
    from hypothesis import strategies as st
    from hypothesis.errors import NoSuchExample

    if not inputs or examples <= 0:
        return None
    inputs = [*inputs, ("supply", "supply", 0.0)]
    gap = st.one_of(st.sampled_from(sorted(set(gaps_ms))), st.integers(1, 400))
    scripts = st.tuples(st.lists(st.tuples(gap, st.integers(0, len(inputs) - 1)), max_size=14),
                        st.sampled_from([0.5, 0.1, 0.9, 0.02]), st.booleans())  # fmt: skip
    seen: dict[object, Difference] = {}
    model = Replayer(system, circuit, segments)

    def parts(example: tuple[list[tuple[int, int]], float, bool]) -> bool:
        script, charge, met = example
        if met:  # the first change comes in the very instant of power-up
            script = [(0 if place == 0 else gap_ms, which)
                      for place, (gap_ms, which) in enumerate(script)]  # fmt: skip
        acts = on_ticks(_acts(inputs, script), firmware.tick_ns)
        ends = (acts[-1].at_ns if acts else 0) + 1500 * MS
        played = model.played(charge, acts, ends, whole=True)
        if played is None:
            return False
        found = firmware.differs(Drive("random stimuli", charge, acts, ends, played))
        if found is not None:
            seen["last"] = found
            if found.hung:
                raise _HungError  # each further run would wait as long
        return found is not None

    from random import Random

    try:
        find(scripts, parts, random=Random(seed), database_key=None,
             settings=settings(max_examples=examples, database=None, deadline=None,
                               suppress_health_check=list(HealthCheck),
                               phases=(Phase.generate, Phase.shrink)))  # fmt: skip
    except NoSuchExample:
        return None
    except _HungError:
        pass
    return seen["last"]


# -- witnesses -------------------------------------------------------------------------------------


def _gestures(acts: Sequence[Act], closed: Mapping[str, bool]) -> Iterator[tuple[int, ...]]:
    """Groups of acts that belong together: an input changed and changed back. What changes nothing
    (a contact opens that was open) is a group of its own, so that it does not part others.
    `closed` tells of each contact whether it is so at rest.
    """
    open_at: dict[str, int] = {}
    levels: dict[str, float] = {}
    for index, act in enumerate(acts):
        rest = -1.0 if act.kind == "hand" else float(closed.get(act.name, False))
        if act.kind not in ("contact", "held", "hand", "usb") or (
            act.value == levels.get(act.name, rest)
        ):
            yield (index,)
            continue
        levels[act.name] = act.value
        if act.name in open_at:
            yield open_at.pop(act.name), index
        else:
            open_at[act.name] = index
    yield from ((index,) for index in open_at.values())


def shrunk(firmware: Firmware, found: Difference, system: System, circuit: Circuit,
           segments: Mapping[str, int]) -> Difference:
    """A difference with fewer acts, as long as it stays a difference (at a standing charge)."""
    if found.hung:
        return found  # each attempt would wait as long
    acts = [act for act in found.drive.acts if act.at_ns <= found.time_ns]
    model = Replayer(system, circuit, segments)

    def attempt(acts: Sequence[Act]) -> Difference | None:
        ends = found.time_ns + MS
        played = model.played(found.drive.charge, acts, ends)
        if played is None:
            return None
        return firmware.differs(replace(found.drive, acts=tuple(acts), ends_ns=ends,
                                        replay=played))  # fmt: skip

    shorter = attempt(acts)
    if shorter is None:
        return found
    best, tries = shorter, 0
    changed = True
    while changed and tries < MOST_TRIES:
        changed = False
        for group in list(_gestures(acts, system.contacts)):
            tries += 1
            fewer = [act for index, act in enumerate(acts) if index not in group]
            shorter = attempt(fewer)
            if shorter is not None and shorter.hung:
                return best
            if shorter is not None:
                best, acts, changed = shorter, fewer, True
                break
    return best
