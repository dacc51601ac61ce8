"""Broken map files: each gives one whole message, and never a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfw.errors import DescriptionError
from simfw.stimuli.recording.mapfile import read_map
from tests.broken import DATA, Broken, broken

SOUND = (DATA / "remote-map.toml").read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_sound_map_is_read(here: Path) -> None:
    """What the mistakes are made in has none."""
    (here / "map.toml").write_text(SOUND, encoding="utf-8")
    mapped = read_map(Path("map.toml"))
    assert list(mapped.wires) == ["D0", "D1", "channel 2"]
    assert mapped.frames["remote"].names == {"00FF0DF2": "power"}


@pytest.mark.parametrize("case", broken("maps.txt"), ids=lambda case: case.name)
def test_each_mistake_has_its_whole_message(case: Broken, here: Path) -> None:
    """Place, key, what stands there, what is wrong, what is allowed, and the nearest name."""
    (here / "map.toml").write_text(case.apply(SOUND), encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        read_map(Path("map.toml"))
    assert caught.value.exit_code == 2
    assert str(caught.value) == case.message


def test_the_former_names_of_a_frame_are_read_as_the_present_ones(here: Path) -> None:
    """A map with the earlier names is the same map; its messages name the keys it wrote."""
    former = SOUND
    for now, then in (("lead", "header"), ("space_0", "zero"), ("space_1", "one"),
                      ("length", "bits"), ("names]", "codes]")):
        assert now in former
        former = former.replace(f"\n{now} ", f"\n{then} ").replace(f".{now}", f".{then}")
    (here / "map.toml").write_text(former, encoding="utf-8")
    (here / "sound.toml").write_text(SOUND, encoding="utf-8")
    assert read_map(Path("map.toml")).frames == read_map(Path("sound.toml")).frames
    broken_one = former.replace("bits = 32", "bits = 320").replace("00FF0DF2", "0DF2")
    (here / "map.toml").write_text(broken_one, encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"map.toml:27: frames.remote.bits = 320: "):
        read_map(Path("map.toml"))
    (here / "map.toml").write_text(former.replace("00FF0DF2", "0DF2"), encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"map.toml:32: frames.remote.codes.0DF2 = "):
        read_map(Path("map.toml"))
    (here / "map.toml").write_text(former.replace("bits", "length = 8\nbits"), encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"frames.remote.bits = 32: unknown key"):
        read_map(Path("map.toml"))


def test_a_form_of_frames_that_no_wire_is_read_with_is_told(here: Path) -> None:
    """Else it would be read and do nothing; where a wire names a form that is not there, that is
    what is wrong.
    """
    other = SOUND + "\n" + SOUND[SOUND.index("[frames.remote]"):].replace("remote", "spare")
    (here / "map.toml").write_text(other, encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        read_map(Path("map.toml"))
    assert [(one.key, one.text) for one in caught.value.problems] == [
        ("frames.spare", "no wire is read with this form")]
    assert 'form = "spare"' in str(caught.value)
    assert 'form = "remote"' in SOUND
    (here / "map.toml").write_text(SOUND.replace('form = "remote"', 'form = "remtoe"'), "utf-8")
    with pytest.raises(DescriptionError) as caught:
        read_map(Path("map.toml"))
    assert [one.text for one in caught.value.problems] == ["there is no such form of frames"]
