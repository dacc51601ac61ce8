"""Raw samples in a zip: counts against an independent count, oddities, refusals."""

from __future__ import annotations

import tracemalloc
import zipfile
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from simfw.errors import DescriptionError
from simfw.stimuli.recording import Remarks, open_recording

CAPTURES = Path(__file__).parents[2] / "data" / "captures"
META = "[global]\nversion=1\n[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\nunitsize={size}\n"


def make(tmp_path: Path, meta: str, **members: bytes) -> Path:
    """An archive with this metadata and these members (`logic_1` stands for logic-1)."""
    path = tmp_path / "capture.sr"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("metadata", meta)
        for name, raw in members.items():
            archive.writestr(name.replace("_", "-"), raw)
    return path


def changes(path: Path) -> tuple[list[tuple[int, str, object]], list[str]]:
    """Changes and remarks."""
    recording = open_recording(path)
    remarks = Remarks()
    edges = [tuple(edge) for edge in recording.edges(remarks)]
    return edges, [str(remark) for remark in (*recording.open_remarks, *remarks)]


@pytest.mark.parametrize(("name", "hertz", "samples"), [
    ("led_strip_red_press_on.sr", 4_000_000, 8_000_000),
    ("remote_held.sr", 1_000_000, 2_007_040),
])
def test_real_captures_have_the_counts_of_a_plain_count(
    name: str, hertz: int, samples: int
) -> None:
    """Every wire has as many changes as its bit has in the samples, plus the first level."""
    path = CAPTURES / name
    with zipfile.ZipFile(path) as archive:
        parts = sorted((n for n in archive.namelist() if n.startswith("logic-1")),
                       key=lambda n: int(n.split("-")[2]) if n.count("-") > 1 else 0)
        raw = np.frombuffer(b"".join(archive.read(part) for part in parts), dtype=np.uint8)
    recording = open_recording(path)
    counts = np.zeros(len(recording.wires), dtype=int)
    end = 0
    for block in recording.blocks():
        counts += np.bincount(block.wires, minlength=len(counts))
        end = block.end
    expected = [1 + int(np.count_nonzero(np.diff((raw >> bit) & 1)))
                for bit in range(len(counts))]
    assert (recording.sample_hz, end) == (hertz, samples)
    assert counts.tolist() == expected


def test_parts_are_read_in_number_order_and_joined(tmp_path: Path) -> None:
    """Part 10 comes after part 9, and a level that goes on over a part's end makes no change."""
    parts = {f"logic_1_{n}": bytes([n % 2 if n < 9 else 1]) * 3 for n in range(1, 12)}
    edges, remarks = changes(make(tmp_path, META.format(size=1) + "probe1=A\n", **parts))
    assert edges == [(0, "A", 1), *[(3 * n, "A", (n + 1) % 2) for n in range(1, 9)]]
    assert remarks == []


def test_wide_samples_and_odd_widths(tmp_path: Path) -> None:
    """Two and three bytes per sample, least significant first."""
    for size in (2, 3):
        samples = [0, 1 << (8 * size - 1), 1]
        raw = b"".join(sample.to_bytes(size, "little") for sample in samples)
        meta = META.format(size=size) + f"probe1=first\nprobe{8 * size}=last\n"
        edges, _ = changes(make(tmp_path, meta, logic_1=raw))
        assert edges == [(0, "first", 0), (0, "last", 0), (1, "last", 1), (2, "first", 1),
                         (2, "last", 0)]


def test_oddities_are_reported(tmp_path: Path) -> None:
    """Analogue channels, nameless probes, doubled names and half a sample are all named."""
    meta = META.format(size=2) + "total analog=1\nanalog9=Supply\n"
    _, remarks = changes(make(tmp_path, meta, logic_1=b"\1\0\2"))
    assert remarks == ["the probes have no names; they are called D0, D1, ...",
                       "analogue channels are not read: Supply",
                       "logic-1 ends in the middle of a sample; 1 bytes left out"]
    meta = META.format(size=1) + "probe1=A\nprobe2=A\n"
    edges, remarks = changes(make(tmp_path, meta, logic_1=b"\1"))
    assert edges == [(0, "A", 1), (0, "A.2", 0)]
    assert remarks == ["a second probe is called A; it is read as A.2"]


def test_a_damaged_part_keeps_what_stands_before(tmp_path: Path) -> None:
    """Where the packed samples break, the rest is reported missing."""
    path = make(tmp_path, META.format(size=1) + "probe1=A\n",
                logic_1=bytes(range(256)) * 5000)
    raw = bytearray(path.read_bytes())
    where = raw.find(bytes(range(256)))
    raw[where + 1000 : where + 1010] = b"\0" * 10
    path.write_bytes(raw)
    _, remarks = changes(path)
    assert remarks == ["logic-1 breaks off after sample 0 (Bad CRC-32 for file 'logic-1'); what "
                       "follows is missing"]


@pytest.mark.parametrize(("meta", "message"), [
    ("[global]\n", "metadata = global: `metadata` describes no device."),
    ("[device 1]\nsamplerate=fast\n", "metadata.samplerate = fast: this is not a sample rate. "
     "Allowed: for example `4 MHz`."),
    ("[device 1]\nsamplerate=1 MHz\nunitsize=9\n", "metadata.unitsize = 9: this is not a number "
     "of bytes. Allowed: 1 to 8."),
    ("[device 1]\nsamplerate=1 MHz\ncapturefile=other\n", "capturefile = other: no samples in this "
     "archive. Allowed: metadata, logic-1."),
    ("nonsense\n", "`metadata` cannot be read (File contains no section headers.)."),
])
def test_unusable_metadata_is_refused(tmp_path: Path, meta: str, message: str) -> None:
    """Whole message, one per mistake."""
    with pytest.raises(DescriptionError) as caught:
        open_recording(make(tmp_path, meta, logic_1=b"\0"))
    assert str(caught.value) == (f"{tmp_path}/capture.sr: {message}\n"
                                 "1 problem; nothing was done.")


def test_an_archive_without_metadata_or_cut_short_is_refused(tmp_path: Path) -> None:
    """Both have a message of their own."""
    path = tmp_path / "capture.sr"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("other", b"")
    with pytest.raises(DescriptionError, match="other: no `metadata` in this archive"):
        open_recording(path)
    path.write_bytes(path.read_bytes()[:20])
    with pytest.raises(DescriptionError, match="not a whole zip archive"):
        open_recording(path)


def test_the_tick_is_exact(tmp_path: Path) -> None:
    """A rate that divides nothing evenly stays a fraction."""
    meta = META.format(size=1).replace("1 MHz", "3 MHz") + "probe1=A\n"
    assert open_recording(make(tmp_path, meta, logic_1=b"\0")).tick_s == Fraction(1, 3_000_000)


def damaged(path: Path) -> str:
    """The words for an archive that cannot be opened or read, or how many changes it has."""
    try:
        return str(len(changes(path)[0]))
    except DescriptionError as error:
        return str(error)


def test_any_damaged_byte_of_an_archive_is_told(tmp_path: Path) -> None:
    """Each byte turned over in turn, and each length cut: read as far as it goes, or refused."""
    path = make(tmp_path, META.format(size=1) + "probe1=A\n", logic_1=b"\0\1" * 40)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("logic-1-1", b"\0\1" * 40)
    raw = path.read_bytes()
    for place in range(len(raw)):
        for changed in (raw[:place] + bytes([raw[place] ^ 0xFF]) + raw[place + 1 :], raw[:place]):
            path.write_bytes(changed)
            if changed[:2] == b"PK":
                assert damaged(path)


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_an_archive_that_inflates_without_bound_is_refused(tmp_path: Path, method: int) -> None:
    """A few bytes of such a member hold gigabytes, and one read would take them all."""
    path = tmp_path / "capture.sr"
    with zipfile.ZipFile(path, "w", method) as archive:
        archive.writestr("metadata", META.format(size=1))
        archive.writestr("logic-1", b"\0" * 1000)
    assert "Allowed: 0 (stored) or 8 (deflate)" in damaged(path)


def test_an_archive_that_inflates_a_thousandfold_is_read_in_small_blocks(tmp_path: Path) -> None:
    """200 MB of still samples from 200 kB take no more memory than a block."""
    path = tmp_path / "capture.sr"
    with (zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
          archive.open("logic-1", "w") as stream):  # fmt: skip
        for _ in range(50):
            stream.write(b"\0" * 4_000_000)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("metadata", META.format(size=8))
    recording = open_recording(path)
    tracemalloc.start()
    try:
        end = [block.end for block in recording.blocks()][-1]
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert end == 25_000_000
    assert most < 40_000_000


@pytest.mark.parametrize(("line", "words"), [
    ("samplerate=" + "9" * 5000 + " MHz", "this is not a sample rate"),
    ("samplerate=1 MHz\nunitsize=\N{SUPERSCRIPT TWO}", "this is not a number of bytes"),
])
def test_numbers_that_are_none_are_told(tmp_path: Path, line: str, words: str) -> None:
    """Digits without end, and digits of another kind."""
    path = make(tmp_path, f"[device 1]\n{line}\n", logic_1=b"\0")
    assert words in damaged(path)
