"""Broken toggles and measures: each gives one whole message."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import simfw
from simfw.errors import DescriptionError
from simfw.loading import load_pattern
from tests.broken import DATA, Broken, broken

FILES: dict[str, tuple[str, str, Callable[[str], object]]] = {
    "inputs.txt": ("drawer-lamp.toml", "gadget.toml", simfw.load_gadget),
    "input-steps.txt": ("drawer-steps.toml", "scenario.toml", simfw.load_scenario),
    "input-habits.txt": ("drawer-habits.toml", "pattern.toml", load_pattern),
}
CASES = [(name, case) for name in FILES for case in broken(name)]


@pytest.mark.parametrize(("name", "case"), CASES, ids=[case.name for _, case in CASES])
def test_each_mistake_has_its_whole_message(
    name: str, case: Broken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Place, key, what stands there, what is wrong, what is allowed, and the nearest name."""
    sound, file, load = FILES[name]
    monkeypatch.chdir(tmp_path)
    lamp = "drawer-lamp.toml"
    Path(lamp).write_text((DATA / lamp).read_text(encoding="utf-8"), encoding="utf-8")
    text = (DATA / sound).read_text(encoding="utf-8")
    Path(file).write_text(text, encoding="utf-8")
    load(file)
    Path(file).write_text(case.apply(text), encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        load(file)
    assert str(caught.value) == case.message
