"""Each mistake in a sequence has its whole message."""

from __future__ import annotations

from pathlib import Path

import pytest

import simfw
from simfw.errors import DescriptionError
from tests.broken import DATA, Broken, broken

SOUND = (DATA / "winking.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("case", broken("sequences.txt"), ids=lambda case: case.name)
def test_each_mistake_in_a_sequence_has_its_whole_message(
    case: Broken, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Place, key, what stands there, what is wrong, what is allowed, and the nearest name."""
    monkeypatch.chdir(tmp_path)
    Path("gadget.toml").write_text(case.apply(SOUND), encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        simfw.load_gadget("gadget.toml")
    assert str(caught.value) == case.message
