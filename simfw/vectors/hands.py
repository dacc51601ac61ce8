"""Hands about the looks of a sensor: driven on purpose.

What a sensor has made of the looks before shows only where a hand comes back within the time in
which the field must stay clear, look by look; what it makes of a hand that comes or goes between
two looks, or in the middle of a burst, only with the next look. A person does that by chance, and
a search that keeps what is new passes it by.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from simfw.behaviour.stock import burst_ns
from simfw.vectors.closing import settle_ns
from simfw.vectors.courses import Courses
from simfw.vectors.handled import Handled
from simfw.vectors.nodes import Found
from simfw.vectors.pace import NEVER
from simfw.vectors.sketch import Act

__all__ = ["Hands"]

MS = 1_000_000
MOST_LOOKS = 12  # after how many looks a hand comes back, at most: the last of the time to be clear
MOST_MEANWHILE = 6  # things that are done while the field must stay clear
MOST_DISABLING = 2  # events that a sensor is put out with


class Hands(Courses):
    """The courses of a gadget's sensors."""

    def courses(self) -> Iterator[Found]:
        """Each course of each sensor, as a path."""
        for name, distance_m in self.hands.items():
            if distance_m is None:
                continue
            agree = self.gadget.proximity[name].agree
            for course in (self._within_a_burst, self._between_two_looks):
                yield from self._path(partial(course, name, distance_m))
            for pattern in self._patterns(name):
                yield from self._path(partial(self._course, name, distance_m, pattern))
            for one, apart in self._disabling(name):
                for before in ((agree - 1, 0), (agree, 0), (agree, agree - 1), (agree, agree),
                               (agree, agree, agree - 1)):
                    pattern = tuple(bool(1 - number % 2) for number, looks in enumerate(before)
                                    for _ in range(looks))
                    yield from self._path(partial(
                        self._put_out, name, distance_m, pattern, one, apart))
                yield from self._path(partial(
                    self._put_out, name, distance_m, (), one, apart, in_burst=True))
            for one in self._meanwhile():
                yield from self._path(partial(self._cleared, name, distance_m, one))

    def _path(self, course: partial[bool]) -> Iterator[Found]:
        for _, path in self._found("", course):
            yield path

    def _patterns(self, name: str) -> Iterator[tuple[bool, ...]]:
        """What each look finds: a hand that goes, and is back some looks later; then one that has
        been seen again meanwhile, by one look less than it takes.
        """
        sensor = self.gadget.proximity[name]
        agree, looks = sensor.agree, sensor.clear.ns // sensor.every.ns + 2
        gone = (True,) * agree + (False,) * agree
        for less in ((), (True,) * (agree - 1)) if agree > 1 else ((),):
            for back in range(max(0, looks - MOST_LOOKS), looks + 1):
                yield (*gone, *less, *(False,) * back, *(True,) * agree, False)

    # -- the courses -------------------------------------------------------------------------------

    def _course(self, name: str, distance_m: float, pattern: Sequence[bool]) -> bool:
        self._start()
        return self._seen(name, distance_m, pattern) and self._clear(name)

    def _within_a_burst(self, name: str, distance_m: float) -> bool:
        """A hand comes in the middle of a burst, and stays."""
        sensor = self.gadget.proximity[name]
        self._start()
        then = self._look(name)
        if then is None:
            return False
        self._to(then - burst_ns(sensor) // 2)
        self._do((0, "hand", name, distance_m))
        return self._seen(name, distance_m, (True,) * (2 * sensor.agree)) and self._clear(name)

    def _between_two_looks(self, name: str, distance_m: float) -> bool:
        """A hand comes and goes between two looks; another stays from the look after on."""
        sensor = self.gadget.proximity[name]
        self._start()
        then = self._look(name)
        if then is None:
            return False
        self._to(then - sensor.every.ns // 2)
        self._do((0, "hand", name, distance_m), (sensor.every.ns // 8, "hand", name, -1.0))
        self._to(then + 1)
        return self._seen(name, distance_m, (True,) * (2 * sensor.agree)) and self._clear(name)

    def _cleared(self, name: str, distance_m: float, one: Handled) -> bool:
        """Something is done while the field must stay clear; a hand is back as soon as it has."""
        sensor = self.gadget.proximity[name]
        agree = (True,) * sensor.agree + (False,) * sensor.agree
        self._start()
        if not self._seen(name, distance_m, agree):
            return False
        first, clears = one.changes[0][0], self.sketch.now + sensor.clear.ns
        self._do(*((MS + at - first, kind, what, value) for at, kind, what, value in one.changes))
        if self.sketch.now >= clears:
            return False
        while (then := self._look(name)) is not None and then <= clears:
            self._to(then + 1)
        return self._seen(name, distance_m, agree) and self._clear(name)

    def _meanwhile(self) -> list[Handled]:
        """What people do with their fingers or a plug that written regions hear."""
        heard = {row.on for region in self.sketch.system.regions if region.group == "behaviour"
                 for row in region.rows}
        return list(dict.fromkeys(
            one for event, one in self.events.items()
            if event in heard and one.by in (*self.gadget.buttons, "usb")))[:MOST_MEANWHILE]

    def _put_out(self, name: str, distance_m: float, pattern: Sequence[bool], one: Handled,
                 apart: int, *, in_burst: bool = False) -> bool:  # fmt: skip
        """After some looks, or within one, the sensor is put out and back as soon as can be; a hand
        stays.
        """
        sensor = self.gadget.proximity[name]
        leads = -min(at for at, *_ in one.changes)
        self._start()
        self._wait(leads)
        if not self._seen(name, distance_m, pattern):
            return False
        then = self.sketch.now + sensor.every.ns // 4
        if in_burst:
            look = self._look(name)
            if look is None:
                return False
            then = look - burst_ns(sensor) // 2
        anew = then + apart
        acts = [*self.acts, *(Act(begins + at, kind, what, value) for begins in (then, anew)
                              for at, kind, what, value in one.changes)]
        if name not in self.sketch.hands:
            comes = then - sensor.every.ns // 4 if in_burst else then
            acts.append(Act(comes, "hand", name, distance_m))
        acts.sort(key=lambda act: act.at_ns)
        self._start()
        for act in acts:
            self._do((act.at_ns - self.sketch.now, act.kind, act.name, act.value))
        self._to(max(self.sketch.now, anew + 1))
        return (self._seen(name, distance_m, (True,) * (2 * sensor.agree)) and self._clear(name))

    def _disabling(self, name: str) -> list[tuple[Handled, int]]:
        """What puts a sensor out, and the second time back, with the least time between both."""
        key = f"proximity.{name}.enabled"
        number = next((number for number, one in enumerate(self.sketch.system.conditions)
                       if one.key == key), None)
        found: list[tuple[Handled, int]] = []
        for one in dict.fromkeys(self.events.values()) if number is not None else ():
            if one.by not in self.gadget.buttons or len(found) == MOST_DISABLING:
                continue
            (first, *_), (last, *_) = one.changes[0], one.changes[-1]
            soon = last + settle_ns(self.gadget, one.by) + MS - first
            for apart in (soon, one.after_ns + one.before_ns):
                if self._said(number or 0, one, apart) == [True, False, True]:
                    found.append((one, apart))
                    break
        return found

    def _said(self, number: int, one: Handled, apart: int) -> list[bool]:
        """What a condition says before something is done, after it, and after it is done again."""
        stepper = self.sketch.stepper
        self._start()
        begins = self.sketch.now - one.changes[0][0]
        said = [stepper.condition_values[number]]
        for then in (begins, begins + apart):
            for at, kind, what, value in one.changes:
                self._to(then + at)
                self._do((0, kind, what, value))
            self._to(max(self.sketch.now, then + MS))
            said.append(stepper.condition_values[number])
        return list(map(bool, said))

    # -- doing -------------------------------------------------------------------------------------

    def _look(self, name: str) -> int | None:
        """When the look that runs, or the next one, is judged; None where none comes."""
        sensor, stepper = self.gadget.proximity[name], self.sketch.stepper
        due = stepper.due()[stepper.region_names.index(f"{name}.look")]
        if due >= NEVER:
            return None
        burst = burst_ns(sensor)
        return due + {"asleep": sensor.settle.ns + burst, "settling": burst}.get(
            stepper.state_name(f"{name}.look"), 0)

    def _seen(self, name: str, distance_m: float, pattern: Sequence[bool]) -> bool:
        """Let the looks that come find a hand, or none; whether they came."""
        every = self.gadget.proximity[name].every.ns
        for there in pattern:
            then = self._look(name)
            if then is None:
                return False
            self._to(max(self.sketch.now, then - every // 2))
            if there != (name in self.sketch.hands):
                self._do((0, "hand", name, distance_m if there else -1.0))
            self._to(then + 1)
        return self.sketch.alive

    def _clear(self, name: str) -> bool:
        """The hand goes, and the field is clear again."""
        sensor = self.gadget.proximity[name]
        if name in self.sketch.hands:
            self._wait(sensor.every.ns // 4)
            self._do((0, "hand", name, -1.0))
        self._wait((sensor.agree + 1) * sensor.every.ns + sensor.clear.ns)
        return self.sketch.alive

    def _to(self, then: int) -> None:
        self.sketch.go_to(then)
