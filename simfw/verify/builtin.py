"""The built-in checks: their names, what they say, and the fault each of them catches.

Every name is stable; a gadget can be checked without any of them (`--without NAME`). The same
list, with the sources of each fault, is printed in docs/reference/checks.md, and a test holds the
two together.
"""

from __future__ import annotations

from dataclasses import dataclass

from simfw.errors import UsageError, hint
from simfw.verify.finding import Level

__all__ = ["CHECKS", "Check", "chosen_checks"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One built-in check. `way` is how it looks: "rows", "search", "circuit" or "runs"."""

    name: str
    level: Level
    way: str
    says: str
    catches: str


def _check(name: str, level: Level, way: str, says: str, catches: str) -> Check:
    return Check(name=name, level=level, way=way, says=says, catches=catches)


_ALL = (
    _check("endless-instant", "fault", "search",
           "an instant never comes to rest: events or zero dwells chase each other",
           "a program that hangs in a loop"),
    _check("unreachable-state", "note", "search", "no way leads to a state",
           "a state that was written down but belongs nowhere"),
    _check("row-never-fires", "note", "search",
           "a row is shadowed by an earlier one, or its guard never holds when it is asked",
           "an order of rows that hides one of them"),
    _check("rows-compete", "note", "rows",
           "two guarded rows can both fire; the order of the rows decides",
           "a choice that nobody made"),
    _check("trap", "note", "search", "from a combination of states no input leads to dark",
           "a lamp that only taking the cell out turns off"),
    _check("dead-end", "note", "search", "no row ever leaves a state once it is entered",
           "a region that is stuck for good"),
    _check("left-on", "note", "runs",
           "a light or load that was switched on is left on, or winks, until the cell is flat",
           "a light that nobody puts out"),
    _check("always-on", "note", "runs",
           "a light or load is on, or winks, at rest in every combination of states",
           "a cell that is never left in peace"),
    _check("low-left-on", "note", "runs",
           "on a low or flat cell a light is on, or winks, at rest until the cell is empty",
           "a warning that eats what it warns of"),
    _check("stuck-input", "note", "runs",
           "with something left before a sensor, or a stuck button, a light is on until the cell "
           "is flat",
           "a glove before the sensor that empties the cell"),
    _check("on-again", "note", "runs",
           "what an event of the cell or the charger puts out, a gesture lights again while its "
           "cause lasts",
           "a guard that one of the ways to a light lacks"),
    _check("sensor-always-on", "note", "runs",
           "a sensor looks for a hand at rest in every combination of states",
           "a sensor that empties the cell on the shelf"),
    _check("dwell-spent", "note", "rows",
           "the guard of a dwell fails when the dwell ends, and nothing asks again",
           "a light that goes off only if the cable is out at the right moment"),
    _check("cell-not-heard", "note", "rows",
           "a low or flat cell puts a light out in some states and not in others",
           "a level that was forgotten when the cell is flat"),
    _check("hold-too-late", "note", "rows",
           "a hold is heard only in a state that is over before the hold is due",
           "a gadget that cannot be switched on"),
    _check("timer-runs-on", "note", "rows",
           "a timer in a region of its own goes on when what it times is put out by hand",
           "a light that goes off too soon the second time"),
    _check("plug-lights", "note", "rows",
           "the plug lights what a person lights as well",
           "plugging in, or out, that acts like a key"),
    _check("lock-left", "note", "rows",
           "a dark state that only a hold or a chord enters is left by a hand or a light touch",
           "a lock that opens in the bag"),
    _check("memory-brings-back", "note", "rows",
           "a light touch resumes a state that only a hold or a chord enters",
           "a distress flash among the levels that are remembered"),
    _check("acts-twice", "note", "rows",
           "one press, or one hand, acts as it comes and once more as what it becomes",
           "a chord whose first finger has already switched something"),
    _check("never-asleep", "note", "search",
           "at rest and dark, a state still keeps the controller awake or a load on",
           "sleeping with something left on"),
    _check("light-at-power-up", "fault", "search",
           "a light is on in the first instant without USB, before anyone asked for it",
           "a flash at start, and a start-up loop on a weak cell"),
    _check("shared-light", "note", "rows",
           "two regions drive the same light: it may be lit where one of them says dark",
           "a light that is on in a state where it is off"),
    _check("output-undriven", "note", "rows", "no state drives a light or load",
           "a part that was traced but not understood"),
    _check("sequence-unplayed", "note", "rows", "no state plays a sequence",
           "a blink that was written down and never seen"),
    _check("event-unheard", "note", "rows", "no row hears an event that a row emits",
           "a message that goes nowhere"),
    _check("button-unheard", "note", "rows", "no row hears any event of a button",
           "a press that nothing answers"),
    _check("step-too-long", "note", "rows",
           "an instant takes longer than the state lasts that keeps the controller awake for it, "
           "or than until the next",
           "a sensor whose firmware is still at work when its burst should end"),
    _check("awake-not-given", "note", "rows",
           "the controller has a current asleep and none awake: awake it draws nothing",
           "a figure that was left out, and a life that is too long"),
    _check("press-unanswered", "note", "search",
           "in a combination that is reached, no row fires on an event of a button or ignores it "
           "explicitly",
           "a press that does nothing there"),
    _check("double-unused", "note", "rows",
           "a button waits for a second press that no row hears, so every click comes late",
           "every single click feels slow"),
    _check("double-impossible", "fault", "rows",
           "the window for a second press is not longer than the debounce time",
           "a double click that cannot be made"),
    _check("double-too-short", "note", "rows",
           "the window for a second press is shorter than 250 ms",
           "a double click that people miss"),
    _check("debounce-too-short", "note", "rows",
           "contacts may bounce for longer than the debounce time (6.2 ms)",
           "one press counted as several"),
    _check("debounce-too-long", "note", "rows",
           "a tap of 100 ms would not be seen", "fast taps missed"),
    _check("hold-too-short", "note", "rows", "a hold begins sooner than 400 ms",
           "a slow click taken for a hold"),
    _check("chord-too-short", "note", "rows", "a chord must be pressed within less than 40 ms",
           "a chord seen as single presses"),
    _check("look-too-slow", "note", "rows",
           "a wave of 300 ms may fall between the looks", "waves missed"),
    _check("single-echo", "note", "rows", "one echo alone makes a wave",
           "a flash of sun or a stray pulse counted as a wave"),
    _check("no-rearm", "note", "rows",
           "the field need not be clear for 200 ms before the next wave counts",
           "one wave that toggles twice"),
    _check("no-settling", "note", "rows", "the receiver has no time to settle before the burst",
           "reading too soon after power-up of the receiver"),
    _check("burst-rule", "fault", "circuit",
           "bursts or gaps break the rules of the receiver's gain control",
           "a presence that fades while the hand stays"),
    _check("pin-level", "fault", "circuit",
           "an input of the controller leaves its levels or limits in some state of the gadget",
           "a pin that floats, or powers the controller from behind"),
    _check("divider-drain", "note", "circuit",
           "a divider at a pin draws 2 % or more of the cell's capacity in a year",
           "a sense divider that empties the cell on the shelf"),
    _check("burst-too-short", "note", "rows", "a burst has fewer than 10 carrier cycles",
           "an echo that the receiver does not answer"),
    _check("emitter-too-long", "note", "rows", "the emitter is on for more than 10 ms at a time",
           "an emitter that is on longer than it should be"),
    _check("sensor-runs-disabled", "fault", "search",
           "emitter or receiver is on while the sensor is not enabled",
           "a sensor left running in a locked or dark state"),
    _check("gauge-no-hysteresis", "note", "rows", "bars return at the voltage where they went out",
           "bars that flicker at a threshold"),
    _check("count-never-anchored", "note", "rows",
           "a gauge counts charge and cannot see the end of charging",
           "bars that are further off after each month"),
    _check("gauge-sag", "note", "circuit",
           "the sag of the heaviest load moves a bar by more than the hysteresis",
           "bars that rise when a light goes off"),
    _check("gauge-sag-bars", "note", "circuit", "switching a load moves the gauge by two bars",
           "bars that sag under load"),
    _check("flat-below-cut-off", "fault", "circuit",
           "with the reference at an end of its range, flat is measured below the cut-off",
           "a low-cell action that never comes"),
    _check("flat-hunting", "note", "circuit",
           "when the load is shed at flat, the cell recovers to where the load may return",
           "a light that goes off and on again at the end of the cell"),
    _check("cut-off-hunting", "fault", "circuit",
           "when the protection opens under load, the cell recovers above the restart voltage",
           "cut-off and restart again and again"),
    _check("reserve-short", "note", "circuit",
           "what is left at flat lasts less than 90 days at rest",
           "a cell run down on the shelf"),
    _check("charge-never-ends", "note", "circuit",
           "a light that may be on while charging keeps the charger above its finish current",
           "a charge that never ends"),
    _check("recharge-cycling", "note", "circuit",
           "the cell at rest falls to the recharge voltage within a day on the charger",
           "top-up cycles on the charger"),
    _check("precharge-starved", "note", "circuit",
           "the controller draws more than the precharge current",
           "a deeply discharged cell that does not start"),
    _check("light-fades", "note", "circuit",
           "at flat a light gives less than a third of what it gives on a full cell",
           "brightness that follows the cell"),
    _check("several-per-press", "fault", "runs", "one press of a finger gives more than one press",
           "one press counted as several"),
    _check("bars-rise-unplugged", "note", "search", "a bar comes back although no USB is in",
           "bars that rise while discharging"),
    _check("clock-margin", "note", "search",
           "a rule or a count of presses holds at the nominal clock and breaks with the clock 10 % "
           "slow or fast",
           "intervals far from nominal"),
    _check("power-cut", "note", "search",
           "a rule holds while the supply does, and breaks when the protection opens at a bad "
           "moment",
           "what a failing supply leaves undone"),
    _check("coincidence", "note", "search",
           "a rule breaks only when two things happen in the very same nanosecond",
           "an order that was left to chance"),
    _check("rule", "fault", "search", "a rule of the gadget file is broken", "what the rule says"),
)

CHECKS: dict[str, Check] = {check.name: check for check in _ALL}


def chosen_checks(without: tuple[str, ...] = (), only: tuple[str, ...] = ()) -> frozenset[str]:
    """The names of the checks to make. Raises UsageError for a name that is none."""
    for name in (*without, *only):
        if name not in CHECKS:
            raise UsageError(f'There is no check "{name}".{hint(name, CHECKS)} '
                             f'Allowed: {", ".join(CHECKS)}.')
    return frozenset(only or CHECKS) - frozenset(without)
