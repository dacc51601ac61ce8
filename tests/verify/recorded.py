"""Sessions with a gadget, recorded and read back: what the tests of the replay look at."""

from __future__ import annotations

import tomllib
from pathlib import Path

from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.model import Gadget
from simfw.loading import load_scenario
from simfw.report.record import recording_text
from simfw.stimuli.recording import open_recording
from simfw.stimuli.recording.mapfile import own_map
from simfw.stimuli.recording.signals import Observed, observe


def seen(path: Path, gadget: Gadget) -> Observed:
    """What a recording made by simfw says about a gadget."""
    recording = open_recording(path)
    mapped = own_map(recording, gadget)
    assert mapped is not None
    return observe(recording, mapped, gadget)


def recorded(
    folder: Path, text: str, session: str, gadget: Gadget, like: Prepared | None = None
) -> Observed:
    """What a session with the gadget that `text` describes shows through the signals of `gadget`.

    `session` is a scenario file; the gadget file it names is written beside it. `like` shares its
    circuit.
    """
    (folder / tomllib.loads(session)["gadget"]).write_text(text, encoding="utf-8")
    (folder / "session.toml").write_text(session, encoding="utf-8")
    plan = load_scenario(folder / "session.toml")
    assert plan.gadget is not None
    run = simulate(plan.gadget, plan, prepared=Prepared(plan.gadget, like=like))
    path = folder / "run.csv"
    path.write_text(recording_text(run, ".csv"), encoding="utf-8")
    return seen(path, gadget)
