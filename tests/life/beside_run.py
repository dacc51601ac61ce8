"""A user of a study beside a run of the simulator: the same stimuli, and what both are held to."""

from __future__ import annotations

from simfw.engine.run import Run
from simfw.engine.simulator import simulate
from simfw.engine.timeline import timeline
from simfw.life import registers as k
from simfw.life.columns import flat
from simfw.life.user import Life
from simfw.stimuli.scenario import Press, Scenario, Step, Toggle, Usb, Wave


def as_scenario(user: Life, stimuli: k.Stimuli, until: int) -> Scenario:
    """What a user does up to a time (ns) as a scenario: presses, toggles, waves and USB.

    A press or wave that begins before and ends after it is in it whole.
    """
    layout = user.layout
    steps: list[Step] = []
    down: dict[str, int] = {}
    near: dict[int, tuple[int, float]] = {}
    for time, kind, target, value in zip(
        stimuli.time, stimuli.kind, stimuli.target, stimuli.value, strict=True
    ):
        if time >= until and not (down or near):
            break
        name = layout.buttons[target] if kind == k.CONTACT else ""
        if kind == k.PLUG:
            steps.append(Usb(at_ns=time, present=value > 0.5))
        elif name in layout.gadget.toggles:
            steps.append(Toggle(at_ns=time, toggle=name, closed=value > 0.5))
        elif kind == k.CONTACT and value > 0.5:
            down[name] = time
        elif kind == k.CONTACT:
            start = down.pop(name)
            steps.append(Press(at_ns=start, button=name, for_ns=time - start))
        elif value >= 0:
            near[target] = time, value
        else:
            start, distance = near.pop(target)
            steps.append(Wave(at_ns=start, sensor=layout.sensors[target], distance_m=distance,
                              for_ns=time - start))
    return Scenario(charge=user.pattern.charge, lasts_ns=until, gadget=layout.gadget,
                    steps=tuple(sorted((step for step in steps if step.at_ns < until),
                                       key=lambda step: step.at_ns)))


def run_beside(user: Life, stimuli: k.Stimuli, until: int, *, trace: bool = False) -> Run:
    """The run of what a user does up to a time (ns); the user has lived up to there, too."""
    run = simulate(user.layout.gadget, as_scenario(user, stimuli, until), trace=trace)
    user.go(stimuli, until)
    return run


def stimuli_of(user: Life, scenario: Scenario) -> k.Stimuli:
    """What a scenario does with contacts and USB, as the stimuli of a user."""
    buttons, fast = user.layout.buttons, user.store.fast
    rows = [
        (change.time_ns, k.PLUG, 0, change.value) if change.kind == "usb"
        else (change.time_ns, k.CONTACT, buttons.index(change.name), change.value)
        for change in timeline(scenario, user.layout.gadget)
    ]
    times, kinds, targets, values = zip(*rows, strict=True) if rows else ((),) * 4
    none = flat([], fast)
    return k.Stimuli(
        counts=flat([len(rows), 0, 0], fast), time=flat(times, fast), kind=flat(kinds, fast),
        target=flat(targets, fast), value=flat(map(float, values), fast, real=True),
        occasion=flat([-1] * len(rows), fast), habit=none, pool_start=none, pool_end=none,
        pool_time=none, pool_kind=none, pool_target=none,
        pool_value=flat([], fast, real=True), pool_offset=none, pool_count=none, away_from=none,
        away_to=none,
    )


def stands(user: Life) -> dict[str, str]:
    """The state of each region of a user."""
    comb = user.store.combs[int(user.world.i[k.COMB])]
    return {name: user.layout.regions[n].states[comb.states[n]].name
            for name, n in user.layout.region_id.items()}


def ends(run: Run) -> dict[str, str]:
    """The state of each region at the end of a run."""
    return dict(zip(run.regions, (one.state for one in run.final.regions), strict=True))


def spent_ns(user: Life, region: str, state: str) -> int:
    """How long a region of a user has been in a state."""
    layout = user.layout
    n = layout.region_id[region]
    return int(user.world.spent[layout.offset[n] + layout.state_id[n][state]])


def writes(user: Life) -> dict[str, int]:
    """How often what each region of a user keeps over a power loss was written."""
    kept = [user.layout.regions[n].name for n in user.layout.keeping]
    return dict(zip(kept, user.world.writes, strict=True))
