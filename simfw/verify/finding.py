"""What a check yields: findings, verdicts on rules, and witnesses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from simfw.stimuli.scenario import Scenario

__all__ = ["Finding", "Level", "OpenCell", "Report", "Verdict", "Witness"]

Level = Literal["fault", "note"]
Standing = Literal["proved", "broken", "coincidence", "unreproduced", "open"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """A scenario that breaks something when it is run.

    `list` says in plain words what to do when; `time_ns` is when it breaks; `states` is how many
    steps of the outside it takes.
    """

    scenario: Scenario
    rule: str
    time_ns: int
    why: str
    list: tuple[str, ...]

    @property
    def steps(self) -> int:
        """How many things the outside does in it (expectations do not count)."""
        from simfw.stimuli.scenario import Expect

        return sum(not isinstance(step, Expect) for step in self.scenario.steps)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something found: the stable name of the check, a sentence, and the rows it speaks of."""

    check: str
    level: Level
    text: str
    rows: tuple[str, ...] = ()
    witness: Witness | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What is known of one rule after the search, never more than that.

    `states` is how many states were searched at the last detail, `finished` whether that was all of
    them, `detail` the sentence that says what was left free, `free` the numbers and inputs that
    may have any value, `replays` how many runs of the full model were tried without breaking it.
    `supply`: whether it was proved with the supply failing at any instant as well; None where that
    was not asked, or not finished. `let_go`: the firmware lets go of its supply, which was
    followed, and nothing else that takes it away.
    """

    rule: str
    standing: Standing
    text: str
    states: int
    finished: bool
    detail: str
    free: tuple[str, ...] = ()
    replays: int = 0
    supply: bool | None = None
    let_go: bool = False

    @property
    def of_supply(self) -> str:
        """What a proof takes for granted of the supply, or does not, to go on with."""
        if self.let_go:
            return ", as long as only the firmware takes the supply away"
        return {True: ", also with the supply failing at any instant",
                False: ", as long as the supply holds", None: ""}[self.supply]


@dataclass(frozen=True, slots=True)
class OpenCell:
    """An event that a state of a region neither answers nor ignores in writing."""

    region: str
    state: str
    event: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All of one check.

    `gestures` counts the runs in which gestures were tried one after another, `gestures_all` says
    whether every order was. `timed_out`: a limit of time ended it before its work was done.
    `sets` of regions that do not meet were searched apart; `loads_left_out` counts combinations of
    what they draw that were not worked out one by one.
    """

    gadget: str
    findings: tuple[Finding, ...]
    verdicts: tuple[Verdict, ...]
    open_cells: tuple[OpenCell, ...]
    reached: int
    combinations: int
    reached_all: bool
    sets: int = 1
    loads_left_out: int = 0
    gestures: int = 0
    gestures_all: bool = False
    timed_out: bool = False

    @property
    def faults(self) -> tuple[Finding, ...]:
        """The findings that make the check fail."""
        return tuple(finding for finding in self.findings if finding.level == "fault")
