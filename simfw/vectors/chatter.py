"""Contacts that chatter for longer than a second, each time faster than they settle.

A firmware may give such a contact up and take it as it is, or lose count of the edges. Where the
time of a contact begins anew at each edge, nothing comes of it before it rests.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import accumulate

from simfw.stimuli.inputs import settable
from simfw.vectors.closing import settle_ns
from simfw.vectors.contacts import Contacts
from simfw.vectors.handled import TAP_NS
from simfw.vectors.nodes import Found

__all__ = ["CHATTER", "CHATTERS_NS", "Chatter"]

MS = 1_000_000
CHATTER = "chatter for longer than a second"
CHATTERS_NS = 1250 * MS
# Thousandths of the time to settle: on one side, and on the other. A contact whose first edge
# counts is looked at when its time ends, and is then on one side and on the other in turn.
SHARES = {"first-edge": (935, 935)}
USUAL_SHARES = (750, 187)
MOST_TURNS = 300  # of one contact, or of all contacts of one course
LONGEST_HOLD_NS = 10_000 * MS


class Chatter(Contacts):
    """Makes such courses."""

    def courses(self) -> Iterator[tuple[str, Found]]:
        """One for the contacts that settle, and one for those that are read in another way: of many
        or quick ones the first.
        """
        settling = [name for name in self.buttons if self.gadget.buttons[name].style == "settle"]
        others = [name for name in self.buttons if name not in settling]
        for names in [*settling, *self.gadget.read_toggles], others:
            turns = list(accumulate(map(self._turns, names)))
            slow = [name for name, sum_ in zip(names, turns, strict=True)
                    if self._turns(name) and sum_ <= MOST_TURNS]
            if slow:
                yield from self._found(f"{', '.join(slow)}: {CHATTER}", partial(self._all, slow))

    def _turns(self, name: str) -> int:
        """How often a contact moves there and back; 0 where it would be too often."""
        turn_ns = sum(self._sides(name))
        turns = CHATTERS_NS // turn_ns if turn_ns else MOST_TURNS + 1
        return turns if turns <= MOST_TURNS else 0

    def _sides(self, name: str) -> tuple[int, int]:
        """For how long it stands on one side, and on the other (ns)."""
        button = self.gadget.buttons.get(name)
        long, short = SHARES.get(button.style if button else "", USUAL_SHARES)
        return self._shortest(name) * long // 1000, self._shortest(name) * short // 1000

    def _shortest(self, name: str) -> int:
        """For how long it may stand on one side without being taken for there, ns."""
        for kind, one in settable(self.gadget):
            if one == name:
                return kind.settled_ns(self.gadget, name)
        button = self.gadget.buttons[name]
        if button.style == "sample":
            return (button.samples - 1) * button.sample_every.ns
        return min(button.quiet_ns(closing=closing) for closing in (True, False))

    def _all(self, names: Sequence[str]) -> bool:
        self._start()
        for name in names:
            away = not self.sketch.system.contacts[name]
            waits_ns = settle_ns(self.gadget, name) + TAP_NS
            if name in self.buttons:
                button, rest = self.gadget.buttons[name], self._times(name)[1]
                held = max([0, *(timing.ns for _, timing in button.hold_lengths)])
                waits_ns += rest + min(held, LONGEST_HOLD_NS)
                self._do(*self._before(name, (), self._tap(name), rest))
            self._chatters(name, mostly=away)
            self._wait(waits_ns)
            self._moves(name, closes=away)
            self._wait(waits_ns)
            self._chatters(name, mostly=not away)
            self._wait(waits_ns)
            self._moves(name, closes=not away)
            self._wait(waits_ns)
        return self.sketch.alive

    def _chatters(self, name: str, *, mostly: bool) -> None:
        """It stands mostly on the side where it is not, and ends where it began."""
        long_ns, short_ns = self._sides(name)
        for _ in range(self._turns(name)):
            self._moves(name, closes=mostly)
            self._wait(long_ns)
            self._moves(name, closes=not mostly)
            self._wait(short_ns)

    def _moves(self, name: str, *, closes: bool) -> None:
        self._do((0, "contact", name, float(closes)))
