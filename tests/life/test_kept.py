"""Finished groups in a file: whole or not there, and of this study or refused."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path

import pytest

from simfw.errors import UsageError
from simfw.life.kept import Kept, study_of
from simfw.life.life import life
from simfw.life.sweep import read_vary, sweep
from simfw.life.work import Outcome
from simfw.report.life import life_json
from simfw.stimuli.pattern import Pattern
from tests.life.made import EVENING, head, lamp, pattern
from tests.life.test_study import invented

RANDOM = EVENING.replace('wait = "1 h"', 'wait = "10 min .. 3 h"')
USERS = 12


@pytest.fixture
def made(tmp_path: Path) -> Pattern:
    """A lamp that is empty after an evening or two."""
    return pattern(tmp_path, lamp(capacity="30 mAh ± 10 %"), head(horizon="1 day") + RANDOM)


def again(made: Pattern, file: Path) -> tuple[dict[str, object], int]:
    """The study with what is kept in a file, and how many users had to be simulated."""
    with Kept(file, study_of(made, USERS, 0, command="life")) as kept:
        before = kept.users
        found = life_json(life(made, users=USERS, study=False, kept=kept))
        return found, kept.users - before


def test_study_goes_on_from_any_number_of_groups(made: Pattern, tmp_path: Path) -> None:
    """Cut after any number of lines, the file gives the same answer; the rest is simulated."""
    whole = life_json(life(made, users=USERS, study=False))
    file = tmp_path / "lamp.kept"
    assert again(made, file) == (whole, USERS)
    lines = file.read_bytes().splitlines(keepends=True)
    assert len(lines) == 1 + USERS  # one user per set of parts
    for count in (0, 5, USERS):
        file.write_bytes(b"".join(lines[: 1 + count]))
        assert again(made, file) == (whole, USERS - count)
    assert file.read_bytes().splitlines()[0] == lines[0].rstrip()


def test_group_that_was_cut_short_or_damaged_counts_as_not_there(
    made: Pattern, tmp_path: Path
) -> None:
    """A torn line, a changed digit and a line written twice change nothing about the answer."""
    file = tmp_path / "lamp.kept"
    whole, _ = again(made, file)
    lines = file.read_bytes().splitlines(keepends=True)
    for broken, missing in (
        ([*lines[:-1], lines[-1][:-40]], 1),
        ([*lines[:3], lines[3].replace(b'"plugs": 0', b'"plugs": 9'), *lines[4:]], 1),
        ([*lines[:3], b"\n", b"nothing of this\n", *lines[3:]], 0),
        ([*lines, lines[5]], -1),
    ):
        file.write_bytes(b"".join(broken))
        found, simulated = again(made, file)
        assert found == whole
        assert simulated == max(missing, 0)
        assert again(made, file)[0] == whole


def test_outcome_is_read_as_it_was_written(tmp_path: Path, made: Pattern) -> None:
    """Every field of a group, whatever its numbers, survives the file."""
    one = invented(3, (1, 5))
    strange = dataclasses.replace(one, days=(None, 0.1 + 0.2), used=3**50, lasted_ns=(1, 2**62))
    study = study_of(made, USERS, 0, command="life")
    with Kept(tmp_path / "a.kept", study) as kept:
        kept.add(7, strange)
        kept.add(2, one)
    with Kept(tmp_path / "a.kept", study) as kept:
        assert list(kept.outcomes(7)) == [strange]
        assert list(kept.outcomes(2)) == [one]
        assert list(kept.outcomes(0)) == []
        assert kept.users == 4


def test_file_of_another_study_is_refused_with_every_difference(
    made: Pattern, tmp_path: Path
) -> None:
    """Seed, users, command, pattern and gadget are told, and nothing is written."""
    file = tmp_path / "lamp.kept"
    again(made, file)
    before = file.read_bytes()
    assert made.gadget is not None
    cell = made.gadget.cell.model_copy(update={"capacity": made.gadget.cell.cut_off})
    for study, wanted in (
        (study_of(made, USERS, 4, command="life"), "with seed 0, and now it is 4"),
        (study_of(made, 13, 0, command="life"), "for 12 users, and now 13 are asked for"),
        (study_of(made, USERS, 0, command="sweep"), "by simfw life, and this is simfw sweep"),
        (study_of(dataclasses.replace(made, charge=0.5), USERS, 0, command="life"),
         "with another pattern, or it was changed since"),
        (study_of(dataclasses.replace(
            made, gadget=made.gadget.model_copy(update={"cell": cell})), USERS, 0, command="life"),
         "with another gadget, or it was changed since"),
        ({**study_of(made, USERS, 0, command="life"), "version": "9.9"},
         "and this is 9.9"),
    ):
        with pytest.raises(UsageError) as caught:
            Kept(file, study)
        assert wanted in str(caught.value)
        assert "they are left as they are" in str(caught.value)
        assert file.read_bytes() == before
    with pytest.raises(UsageError) as caught:
        Kept(file, study_of(made, 13, 4, command="life"))
    assert "for 12 users, and now 13 are asked for; with seed 0, and now it is 4" in str(
        caught.value
    )


def test_comments_and_places_of_files_make_no_other_study(made: Pattern, tmp_path: Path) -> None:
    """A study goes on after its files were moved or commented."""
    other = tmp_path / "other"
    other.mkdir()
    moved = pattern(other, "# a comment\n" + lamp(capacity="30 mAh ± 10 %"),
                    head(horizon="1 day") + RANDOM)
    assert moved.gadget_path != made.gadget_path
    assert study_of(moved, 3, 0, command="life") == study_of(made, 3, 0, command="life")


@pytest.mark.parametrize("content", [b"{}\n", b"not json\n", b"\xff\xfe\x00", b'["a"]\n'])
def test_file_of_another_kind_is_left_alone(
    made: Pattern, tmp_path: Path, content: bytes
) -> None:
    """Whatever else stands in the file, it is not written over."""
    file = tmp_path / "notes.txt"
    file.write_bytes(content)
    with pytest.raises(UsageError, match="no file with finished groups"):
        Kept(file, study_of(made, 1, 0, command="life"))
    assert file.read_bytes() == content


def test_file_that_cannot_be_used_is_told(made: Pattern, tmp_path: Path) -> None:
    """A folder, a device, or a name in a folder that is not there."""
    for file in (tmp_path, Path("/dev/null"), tmp_path / "none" / "a.kept"):
        with pytest.raises(UsageError) as caught:
            Kept(file, study_of(made, 1, 0, command="life"))
        assert str(file) in str(caught.value)


def test_full_disk_is_told(made: Pattern) -> None:
    """What cannot be kept stops the study with a message."""
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("no such device here")
    study = study_of(made, 1, 0, command="life")
    kept = Kept.__new__(Kept)
    kept.path, kept.users, kept._places, kept._made = full, 0, {}, False
    kept._stream = full.open("r+b", buffering=0)  # type: ignore[assignment]
    with pytest.raises(UsageError, match="cannot be written: no space left"), kept:
        kept.add(0, invented(0, (0,)))
    assert study["users"] == 1


def test_empty_file_is_a_new_one(made: Pattern, tmp_path: Path) -> None:
    """A file that was made beforehand may be filled."""
    file = tmp_path / "a.kept"
    file.touch()
    assert again(made, file)[1] == USERS
    assert json.loads(file.read_text().splitlines()[0])["users"] == USERS


def test_sweep_keeps_each_design_apart(made: Pattern, tmp_path: Path) -> None:
    """A sweep goes on design by design; other values of the same figure are another study."""
    assert made.gadget is not None
    varied = [read_vary("loads.lamp.current=10 mA..20 mA:3", made.gadget)]
    study = study_of(made, 4, 0, command="sweep", varied=varied)
    plain = sweep(made, varied, users=4)
    file = tmp_path / "a.kept"
    for left in (12, 5):
        with Kept(file, study) as kept:
            before = kept.users
            assert sweep(made, varied, users=4, kept=kept).points == plain.points
            assert kept.users - before == left
        lines = file.read_bytes().splitlines(keepends=True)
        file.write_bytes(b"".join(lines[:8]))
    other = [read_vary("loads.lamp.current=10 mA..20 mA:4", made.gadget)]
    wanted = re.escape("for loads.lamp.current=10 mA..20 mA:3, and now")
    with pytest.raises(UsageError, match=wanted):
        Kept(file, study_of(made, 4, 0, command="sweep", varied=other))
    between = dataclasses.replace(varied[0], values=(0.01, 0.012, 0.02))
    with pytest.raises(UsageError, match="with other values between the same ends"):
        Kept(file, study_of(made, 4, 0, command="sweep", varied=[between]))


def test_outcomes_are_small(made: Pattern, tmp_path: Path) -> None:
    """A group takes about ten kilobytes, whatever it lived through."""
    file = tmp_path / "a.kept"
    again(made, file)
    assert file.stat().st_size / USERS < 16_000
    assert {field.name for field in dataclasses.fields(Outcome)} >= {"users", "days", "heat"}


def test_a_study_that_is_stopped_before_its_first_group_leaves_no_file(
    made: Pattern, tmp_path: Path,
) -> None:
    """A file of nothing but its header would be gone on from; one that was there stays."""
    file = tmp_path / "a.kept"
    with pytest.raises(KeyboardInterrupt), Kept(file, study_of(made, 1, 0, command="life")):
        raise KeyboardInterrupt
    assert not file.exists()
    file.touch()
    with pytest.raises(KeyboardInterrupt), Kept(file, study_of(made, 1, 0, command="life")):
        raise KeyboardInterrupt
    assert file.exists()
    with Kept(file, study_of(made, 1, 0, command="life")) as kept:
        kept.add(0, invented(0, (0,)))
    assert len(file.read_text().splitlines()) == 2
