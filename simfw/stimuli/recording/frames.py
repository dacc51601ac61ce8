"""Frames: pulse-distance codes on the output of an infra-red receiver, turned into presses.

A frame is a lead (mark, space), then one bit after the other, each a short mark and a space
whose length is the bit, then one last mark. A repeat is a lead with its own space and one last
mark: the button is still held. All of it is data (`FrameForm`, from the map file); what a code
means is data too (`names`).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Literal

from simfw.stimuli.recording.tracks import Clock, Ticks, Values

__all__ = ["Frame", "FrameForm", "Frames"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameForm:
    """The timings of a code, in ns. `tolerance` is the share by which each may be off.

    `again_space` is the space after the lead of a repeat (None: the code has none), and
    `again_within` the longest time from the start of a frame or repeat to the start of the next
    repeat. `check` says whether the last byte is the complement of the one before.
    """

    lead_mark: int
    lead_space: int
    mark: int
    space_0: int
    space_1: int
    length: int
    tolerance: float
    again_space: int | None = None
    again_within: int = 150_000_000
    order: Literal["low bit first", "high bit first"] = "low bit first"
    check: Literal["none", "last byte inverts the one before"] = "none"

    def fits(self, length: int, nominal: int) -> bool:
        """Whether a measured length is this nominal one within the tolerance."""
        return abs(length - nominal) <= self.tolerance * nominal


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame. `code` is its bytes in order of arrival as hex text ("00FF1AE5").

    `repeats_ns` are the ends of the repeats that followed it.
    """

    start_ns: int
    end_ns: int
    code: str
    repeats_ns: tuple[int, ...] = ()


@dataclass(slots=True)
class Frames:
    """Decodes one wire. Marks are level 1 (the map's polarity has been applied).

    `problems` are (time, what) of everything that began like a frame and was none.
    """

    clock: Clock
    form: FrameForm
    frames: list[Frame] = field(default_factory=list)
    problems: list[tuple[int, str]] = field(default_factory=list)
    stray_marks: int = 0
    _marks: list[tuple[int, int]] = field(default_factory=list)  # start, end of each mark (ns)
    _rise: int | None = None
    _last_start: int | None = None  # start of the latest frame or repeat

    def feed(self, ticks: Ticks, values: Values) -> None:
        """Take edges (0 and 1)."""
        for tick, value in zip(ticks.tolist(), values.tolist(), strict=True):
            if value > 0:
                self._rise = self.clock.ns(tick)
            elif self._rise is not None:
                self._mark(self._rise, self.clock.ns(tick))
                self._rise = None

    def finish(self, end: int) -> None:
        """The file ends at tick `end`; a frame that is not whole is a problem."""
        if self._marks:
            self.problems.append((self._marks[0][0], f"a frame of {max(0, len(self._marks) - 2)} "
                                  f"bits instead of {self.form.length}, cut by the end of the "
                                  f"recording at {self.clock.ns(end) / 1e9:.6f} s"))
        self._marks.clear()

    def _mark(self, start: int, end: int) -> None:
        form, marks = self.form, self._marks
        if form.fits(end - start, form.lead_mark):
            if marks:
                self._broken()
            marks.append((start, end))
            return
        if not marks:
            self.stray_marks += 1
            return
        space = start - marks[-1][1]
        if not form.fits(end - start, form.mark):
            self._broken()
            self.stray_marks += 1
            return
        if len(marks) == 1:
            if form.again_space is not None and form.fits(space, form.again_space):
                self._repeat(marks[0][0], end)
                marks.clear()
                return
            fine = form.fits(space, form.lead_space)
        else:
            fine = form.fits(space, form.space_0) or form.fits(space, form.space_1)
        if not fine:
            self._broken()
            self.stray_marks += 1
            return
        marks.append((start, end))
        if len(marks) == form.length + 2:
            self._whole()

    def _broken(self) -> None:
        bits = max(0, len(self._marks) - 2)
        self.problems.append((self._marks[0][0], f"a frame that breaks off after {bits} of "
                              f"{self.form.length} bits"))
        self._marks.clear()

    def _whole(self) -> None:
        form, marks = self.form, self._marks
        spaces = [after[0] - before[1] for before, after in itertools.pairwise(marks[1:])]
        bits = [abs(space - form.space_1) < abs(space - form.space_0) for space in spaces]
        octets = []
        for at in range(0, form.length, 8):
            part = bits[at : at + 8]
            rising = part if form.order == "low bit first" else part[::-1]
            octets.append(sum(bit << place for place, bit in enumerate(rising)))
        code = "".join(f"{octet:02X}" for octet in octets)
        start, end = marks[0][0], marks[-1][1]
        marks.clear()
        self._last_start = start
        if form.check != "none" and octets[-1] ^ octets[-2] != 0xFF:
            self.problems.append((start, f"the frame {code} fails its check"))
            self._last_start = None
            return
        self.frames.append(Frame(start, end, code))

    def _repeat(self, start: int, end: int) -> None:
        last = self._last_start
        if last is None or not self.frames or start - last > self.form.again_within:
            self.problems.append((start, "a repeat without a frame before it"))
            return
        frame = self.frames[-1]
        self.frames[-1] = Frame(frame.start_ns, frame.end_ns, frame.code,
                                (*frame.repeats_ns, end))
        self._last_start = start
