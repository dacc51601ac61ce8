"""What a comparison of a firmware with the model has found, as text and as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from simfw.conform.program import shown
from simfw.quantity import format_duration, format_percent
from simfw.report.cautions import DRIVEN_STATUS
from simfw.vectors.replay import MOST_REPORTS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simfw.conform.firmware import Difference, Drive
    from simfw.conform.judged import Judged
    from simfw.conform.placed import Placed

__all__ = ["Compared", "Parted", "outcome_json", "outcome_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parted:
    """A difference, where the model was at it, and the file that its stimuli were saved in (None
    where only a bench can do them).
    """

    found: Difference
    placed: Placed
    witness: str | None

    def lines(self) -> tuple[str, ...]:
        """In words."""
        drive = self.found.drive
        saved = "This needs a bench that sets the pins; it is no scenario."
        if self.witness is not None:
            saved = f"Saved as {self.witness}."
        return (
            f"Differs at {format_duration(self.found.time_ns)} in {self.found}",
            *self.placed.lines(),
            "What led there:",
            f"  cell at {format_percent(drive.charge)}",
            *(f"  {format_duration(at)}: {text}" for at, text in self._led()),
            saved,
            *((DRIVEN_STATUS,) if any(act.kind == "status" for act in drive.acts) else ()),
        )

    def _led(self) -> list[tuple[int, str]]:
        """What was done, and what became of the supply, in the order of time."""
        acts = [(act.at_ns, act.text) for act in self.found.drive.acts
                if act.at_ns <= self.found.time_ns]
        supply = [(one.time_ns, one.text) for one in self.placed.supply]
        return sorted([*acts, *supply], key=lambda one: one[0])

    def as_json(self) -> dict[str, Any]:
        """With stable keys; see docs/reference/conform-json.md."""
        found, drive = self.found, self.found.drive
        return {
            "drive": drive.name, "time_ns": found.time_ns, "expected": found.expected,
            "told": shown(found.told), "hung": found.hung,
            "complaint": found.complaint,
            "states": [{"region": one.region, "state": one.state, "since_ns": one.since_ns,
                        "entered": [each.number for each in one.entered],
                        "stayed": None if one.stayed is None else one.stayed.number}
                       for one in self.placed.stood],
            "rows": [{"key": row.key, "region": row.region, "time_ns": row.time_ns,
                      "standing": row.standing, "heard": row.heard,
                      "requirement": row.requirement.number,
                      "came_of": [one.number for one in row.came_of]}
                     for row in self.placed.rows],
            "beside": [one.number for one in self.placed.beside],
            "requirements": [{"number": one.number, "text": one.text.replace("`", "")}
                             for one in self.placed.requirements],
            "bench": self.placed.bench,
            "charge": drive.charge,
            "acts": [{"time_ns": act.at_ns, "text": act.text} for act in drive.acts],
            "supply": [{"time_ns": one.time_ns, "text": one.text} for one in self.placed.supply],
            "witness": self.witness,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """A firmware that was compared: what it was driven with, which kinds of report it told, what
    was left out, and the difference (None where there is none).
    """

    drives: Sequence[Drive]
    recordings: int
    random_lists: int
    kinds: tuple[str, ...]
    within_ns: int
    tick_ns: int
    host_only: int
    parted: Parted | None

    @property
    def cut(self) -> tuple[tuple[str, int], ...]:
        """Accounts that were too long: their names, and up to when they were compared (ns)."""
        if self.parted is not None:
            return ()
        ends = [(drive.name, drive.replay.unrolled.ends_ns) for drive in self.drives]
        return tuple((name, ends_ns) for name, ends_ns in ends if ends_ns is not None)

    def lines(self) -> tuple[str, ...]:
        """In words."""
        lines = []
        if self.tick_ns > 1:
            lines.append(f"It counts in ticks of {format_duration(self.tick_ns)}: times may be off "
                         "by one, and edges come at the beginning of one.")
        if self.host_only:
            many = self.host_only != 1
            lines.append(f"{self.host_only} {'vectors are' if many else 'vector is'} left out: "
                         f"{'they hang' if many else 'it hangs'} on what comes first within a few "
                         "milliseconds, and times may be off here by "
                         f"{format_duration(self.within_ns)}.")
        if self.parted is not None:
            return (*lines, *self.parted.lines())
        counted = f"{len(self.drives) - self.recordings} vectors and scenarios"
        if self.recordings:
            counted += f", {self.recordings} recordings"
        lines.append(f"Conforms: {counted}, {self.random_lists} random stimulus lists; compared: "
                     f"{', '.join(self.kinds)}.")
        if "event" not in self.kinds and any(drive.replay.events for drive in self.drives):
            lines.append("It tells no events: a fault that the vectors show by an event alone was "
                         "not seen. Lines `event T NAME` close that.")
        lines += [f"{name}: compared up to {format_duration(ends_ns)} only, where "
                  f"{MOST_REPORTS:,} reports are told." for name, ends_ns in self.cut]
        return tuple(lines)

    def as_json(self) -> dict[str, Any]:
        """With stable keys."""
        return {
            "conforms": self.parted is None,
            "vectors_and_scenarios": len(self.drives) - self.recordings,
            "recordings": self.recordings, "random_lists": self.random_lists,
            "kinds": list(self.kinds), "within_ns": self.within_ns, "tick_ns": self.tick_ns,
            "left_out": self.host_only,
            "cut": [{"name": name, "up_to_ns": ends_ns} for name, ends_ns in self.cut],
            "difference": None if self.parted is None else self.parted.as_json(),
        }  # fmt: skip


def outcome_text(said: Sequence[str], compared: Compared | None, mutants: Judged | None) -> str:
    """What was said of the recordings, the comparison and the faults, in words."""
    lines = [*said, *(() if compared is None else compared.lines()),
             *(() if mutants is None else mutants.lines())]  # fmt: skip
    return "".join(f"{line}\n" for line in lines)


def outcome_json(gadget: str, said: Sequence[str], compared: Compared | None,
                 mutants: Judged | None) -> dict[str, Any]:  # fmt: skip
    """The same with stable keys; see docs/reference/conform-json.md."""
    return {
        "format": 1,
        "gadget": gadget,
        "said": list(said),
        "comparison": None if compared is None else compared.as_json(),
        "mutants": None if mutants is None else {
            "made": mutants.made, "noticed": len(mutants.noticed), "proved": len(mutants.same),
            "open": [fault.text for fault in mutants.left], "share": mutants.share,
            "by_event_alone": [fault.text for fault in mutants.heard],
        },
    }  # fmt: skip
