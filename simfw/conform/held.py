"""What a firmware is told in a drive and must tell: the same for every firmware, made once.

A drive is held against one firmware after another where its faults are counted, and the account of
the model is as long as the answers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cached_property

from simfw.conform.coarse import Told
from simfw.vectors.replay import Exchange, Replay, let_go

__all__ = ["Held", "about", "held_against", "signal"]

MOST_KEPT = 20_000  # reports of an account that is kept; a longer one is made anew each time


class Held:
    """The account of a replay as a firmware is held against it, with room of `within_ns`."""

    def __init__(self, replay: Replay, within_ns: int) -> None:
        self.within_ns = within_ns
        exchanges = tuple(map(_asked, replay.unrolled.exchanges))
        if within_ns:
            exchanges = tuple(_with_room(exchanges, 2 * within_ns + 1))
        self.exchanges = exchanges
        self._lines_due: dict[frozenset[str], list[list[str]]] = {}
        self._due: dict[frozenset[str], list[list[Told]]] = {}
        self._wanted: dict[frozenset[str], dict[tuple[str, ...], list[Told]]] = {}

    @cached_property
    def lines(self) -> list[str]:
        """All that is sent."""
        return [line for exchange in self.exchanges for line in exchange.lines]

    @cached_property
    def most(self) -> int:
        """How many bytes all reports together have."""
        return sum(len(line) + 1 for one in self._reports for _, _, line in one)

    @cached_property
    def _reports(self) -> list[list[tuple[str, int, str]]]:
        """Kind, time (ns) and line of each report of each exchange."""
        return [[(report.kind, report.time_ns, report.line) for report in exchange.reports]
                for exchange in self.exchanges]

    def word(self, place: int) -> str:
        """The first word of the message that ends an exchange; none behind the last of them."""
        if place >= len(self.exchanges):
            return ""
        return self.exchanges[place].lines[-1].split(" ")[0]

    def due(self, kinds: set[str]) -> list[list[Told]]:
        """The reports of these kinds in each exchange."""
        key = frozenset(kinds)
        if key not in self._due:
            self._due[key] = [[(time_ns, line) for kind, time_ns, line in one if kind in kinds]
                              for one in self._reports]
        return self._due[key]

    def lines_due(self, kinds: set[str]) -> list[list[str]]:
        """The lines of these."""
        key = frozenset(kinds)
        if key not in self._lines_due:
            self._lines_due[key] = [[line for _, line in one] for one in self.due(kinds)]
        return self._lines_due[key]

    def wanted(self, kinds: set[str]) -> dict[tuple[str, ...], list[Told]]:
        """The same by what they are about."""
        key = frozenset(kinds)
        if key not in self._wanted:
            wanted = self._wanted[key] = {}
            for one in self.due(kinds):
                for told in one:
                    wanted.setdefault(about(told[1].split(" ")), []).append(told)
        return self._wanted[key]


def held_against(replay: Replay, within_ns: int) -> Held:
    """The account of a replay, as it was made before where that is kept."""
    kept = replay.held
    if within_ns not in kept:
        held = Held(replay, within_ns)
        if sum(len(one.reports) for one in held.exchanges) > MOST_KEPT:
            return held
        kept[within_ns] = held
    found: Held = kept[within_ns]
    return found


def signal(words: Sequence[str]) -> tuple[str, ...]:
    """What a report of these words is about: its kind, and the output or event."""
    return (words[0], *words[2:3])


def about(words: Sequence[str]) -> tuple[str, ...]:
    """The same; waking and sleeping are one thing."""
    return ("awake",) if words[0] in ("wake", "sleep") else signal(words)


def _asked(exchange: Exchange) -> Exchange:
    """An exchange without the report that need not be told."""
    if not exchange.lines[-1].startswith("power "):
        return exchange
    return replace(exchange, reports=tuple(one for one in exchange.reports if one.kind != "wake"))


def _with_room(exchanges: Sequence[Exchange], room_ns: int) -> Iterator[Exchange]:
    """The exchanges with a supply that the firmware lets go of taken away so much later, as far as
    nothing else is done meanwhile: it may be late to let go.
    """
    for place, one in enumerate(exchanges):
        later = one.ends_ns + room_ns
        follows = exchanges[place + 1].ends_ns if place + 1 < len(exchanges) else later
        if let_go(exchanges[place - 1] if place else None, one) and follows > later:
            yield Exchange((f"until {later}",), ())
            yield Exchange((f"off {later}",), ())
        else:
            yield one
