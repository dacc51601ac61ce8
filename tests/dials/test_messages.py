"""Broken dials: each gives one whole message."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.errors import DescriptionError
from tests.broken import DATA, Broken, broken

SOUND = (DATA / "reading-clip.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("case", broken("dials.txt"), ids=lambda case: case.name)
def test_each_mistake_has_its_whole_message(
    case: Broken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Place, key, what stands there, what is wrong, what is allowed, and the nearest name."""
    monkeypatch.chdir(tmp_path)
    Path("gadget.toml").write_text(case.apply(SOUND), encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget("gadget.toml")
    assert str(caught.value) == case.message


def test_the_sound_file_is_sound(tmp_path: Path) -> None:
    """Each case differs from it in one thing."""
    (tmp_path / "gadget.toml").write_text(SOUND, encoding="utf-8")
    dials = simfw.load_gadget(tmp_path / "gadget.toml").dials
    assert [level.text for level in dials["night"].levels] == ["1 %", "4 %", "16 %", "64 %"]
