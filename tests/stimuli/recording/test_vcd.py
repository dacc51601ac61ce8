"""Value change dumps: what is read, what is reported, what is refused."""

from __future__ import annotations

import io
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from simfw.errors import DescriptionError
from simfw.stimuli.recording import Remarks, open_recording
from simfw.stimuli.recording.vcd import _Careful, _Quick
from simfw.stimuli.recording.vcd_header import read_header

CAPTURES = Path(__file__).parents[2] / "data" / "captures"

HEAD = """\
$timescale 1 us $end
$scope module top $end
$var wire 1 ! power $end
$var wire 1 $ shelf $end
$var wire 4 # bars $end
$var real 64 r level $end
$upscope $end
$enddefinitions $end
"""


def write(tmp_path: Path, text: str | bytes) -> Path:
    """A dump in a file of its own."""
    path = tmp_path / "capture.vcd"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def edges(path: Path) -> list[tuple[int, str, object]]:
    """All changes as plain values."""
    return [tuple(edge) for edge in open_recording(path).edges()]


def oddities(path: Path) -> list[str]:
    """All remarks of header and body, as text."""
    recording = open_recording(path)
    remarks = Remarks()
    for _ in recording.blocks(remarks):
        pass
    return [str(remark) for remark in (*recording.open_remarks, *remarks)]


def refusal(path: Path) -> str:
    """The whole message of the error, without the folder."""
    with pytest.raises(DescriptionError) as caught:
        oddities(path)
    return str(caught.value).replace(f"{path.parent}/", "")


def plain_count(text: bytes) -> tuple[int, dict[str, int]]:
    """Signals, and changes per identifier code, counted by a pattern and nothing else."""
    head, _, body = text.partition(b"$enddefinitions")
    counts: dict[str, int] = {}
    for word in re.finditer(rb"(?<!\S)(?:[01xzXZ](\S+)|[br]\S+ +(\S+))", body):
        code = (word[1] or word[2]).decode()
        counts[code] = counts.get(code, 0) + 1
    return len(re.findall(rb"\$var\s", head)), counts


@pytest.mark.parametrize("name", ["memory_bus.vcd", "mixed_signals.vcd"])
def test_real_dumps_have_the_counts_of_two_independent_readers(name: str) -> None:
    """Signals and changes agree with a plain pattern and with the reader of pyvcd."""
    raw = (CAPTURES / name).read_bytes()
    signals, counted = plain_count(raw)
    recording = open_recording(CAPTURES / name)
    codes = re.findall(r"\$var\s+\S+\s+\d+\s+(\S+)", raw.decode())
    mine = dict.fromkeys(codes, 0)
    for block in recording.blocks():
        for wire in block.wires.tolist():
            mine[codes[wire]] += 1
    assert len(recording.wires) == signals
    assert mine == {code: counted.get(code, 0) for code in codes}
    theirs = dict.fromkeys(codes, 0)
    kinds = (TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_REAL, TokenKind.CHANGE_VECTOR)
    for token in tokenize(io.BytesIO(raw)):
        if token.kind in kinds:
            theirs[token.data.id_code] += 1  # type: ignore[union-attr]
    assert mine == theirs


def test_the_sample_of_the_standard_is_exact_in_picoseconds(tmp_path: Path) -> None:
    """The published sample of seven wires at 1 ps, with `$` as an identifier code, is exact."""
    # Source: the example dump in the encyclopaedia article on value change dumps, as copied at
    # liquisearch.com/value_change_dump/example_vcd_file.
    names = ["data", "data_valid", "en", "rx_en", "tx_en", "empty", "underrun"]
    declared = "".join(f"$var wire {8 if name == 'data' else 1} {code} {name} $end\n"
                       for name, code in zip(names, "#$%&'()", strict=True))
    path = write(tmp_path, "$timescale 1ps $end\n$scope module logic $end\n" + declared +
                 "$upscope $end\n$enddefinitions $end\n$dumpvars\nbxxxxxxxx #\nx$\n0%\nx&\nx'\n1("
                 "\n0)\n$end\n#0\nb10000001 #\n0$\n1%\n0&\n1'\n0(\n0)\n#2211\n0'\n#2296\nb0 #\n1$"
                 "\n#2302\n0$\n#2303\n")
    recording = open_recording(path)
    assert recording.tick_s == Fraction(1, 10**12)
    assert [wire.name for wire in recording.wires] == names
    after = [tuple(edge) for edge in recording.edges() if edge.tick > 0]
    assert after == [(2211, "tx_en", 0), (2296, "data", 0), (2296, "data_valid", 1),
                     (2302, "data_valid", 0)]
    at_zero = [tuple(edge) for edge in recording.edges()][-11:-4]
    assert at_zero == [(0, "data", 0b10000001), (0, "data_valid", 0), (0, "en", 1),
                       (0, "rx_en", 0), (0, "tx_en", 1), (0, "empty", 0), (0, "underrun", 0)]
    assert [block.end for block in recording.blocks()][-1] == 2303


def test_every_form_of_a_change_is_read(tmp_path: Path) -> None:
    """Scalars, vectors, reals, x, z and several changes on one line."""
    path = write(tmp_path, HEAD + "#0\n0! 1$ b101 #\nr0.25 r\n#7 1!\n#9\nx!\n"
                 "z$\nb1x #\nbz #\nB11 #\nR-1e3 r\n")
    assert edges(path) == [
        (0, "power", 0), (0, "shelf", 1), (0, "bars", 5), (0, "level", 0.25), (7, "power", 1),
        (9, "power", "x"), (9, "shelf", "z"), (9, "bars", "001x"), (9, "bars", "zzzz"),
        (9, "bars", 3), (9, "level", -1000.0)]
    assert oddities(path) == ["line 14: power is x here", "line 15: shelf is z here",
                              "line 16: bars is x here (and 1 more like it)"]


def test_carriage_returns_and_a_byte_order_mark_do_no_harm(tmp_path: Path) -> None:
    """CRLF line ends read like LF; a byte order mark is reported."""
    text = HEAD + "#0\n0!\n#5\n1!\n"
    plain = edges(write(tmp_path, text))
    path = write(tmp_path, b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert edges(path) == plain
    assert oddities(path) == ["line 1: the file begins with a byte order mark; ignored"]


def test_wide_vectors_keep_every_digit(tmp_path: Path) -> None:
    """Values above 53 bits are kept exactly and it is said that they are not compared."""
    path = write(tmp_path, "$timescale 1 ns $end\n$var reg 70 ! wide [69:0] $end\n"
                 "$enddefinitions $end\n#0\nb" + "1" * 70 + " !\n")
    assert edges(path) == [(0, "wide", 2**70 - 1)]
    assert oddities(path) == ["line 5: wide has 70 bits; its values are kept but not compared"]


def test_names_that_occur_twice_get_their_scope(tmp_path: Path) -> None:
    """Two signals of one name are told apart by scope, or by a number where that fails."""
    path = write(tmp_path, "$timescale 1 ns $end $scope module a $end $var wire 1 ! clk $end "
                 "$upscope $end $scope module b $end $var wire 1 % clk $end $var wire 1 & clk $end"
                 " $var wire 1 ! again $end $upscope $end $enddefinitions $end\n#0 1! 0% 1&\n")
    recording = open_recording(path)
    assert [wire.name for wire in recording.wires] == ["a.clk", "b.clk", "b.clk.2"]
    assert recording.wires[0].also == ("again",)
    assert oddities(path) == [
        "line 1: a second signal is called b.clk; it is read as b.clk.2",
        "line 1: again is another name of a.clk"]


def test_an_unusual_section_is_skipped_and_said(tmp_path: Path) -> None:
    """Unknown sections, text variables and nine-valued logic are handled."""
    path = write(tmp_path, "$timescale 1 ns $end\n$attrbegin misc 1 $end\n"
                 "$var wire 1 ! a $end\n$var string 1 & note $end\n$enddefinitions $end\n"
                 "#0\n0!\nsHello &\n#1.0\nH!\n$comment half\nway $end\n$dumpoff\nx!\n$end\n#4\n"
                 "$dumpon\n1!\n$end\n$end\n")
    assert edges(path) == [(0, "a", 0), (1, "a", 1), (1, "a", "x"), (4, "a", 1)]
    assert oddities(path) == [
        "line 2: $attrbegin is not a keyword of IEEE 1364; skipped up to $end",
        "line 4: note holds text, not levels; not read",
        "line 9: times are written with a point; their fraction is zero",
        "line 10: `H` is not a value of IEEE 1364; read by IEEE 1164 as its level",
        "line 13: the writer paused here ($dumpoff); levels are unknown until $dumpon",
        "line 14: a is x here",
        "line 20: a $end that closes nothing; skipped"]


@pytest.mark.parametrize(("tail", "said"), [
    ("#5\n1!\n#", "line 11: the file ends in the middle of '#'; the cut word is left out"),
    ("#5\n1!\n1", "line 11: the file ends in the middle of '1'; the cut word is left out"),
    ("#50\n1!\n#6", "line 11: the file ends in the middle of '#6'; the cut word is left out"),
    ("#5\n1!\nb10", "line 11: the file ends after the value 'b10', whose identifier code is "
     "missing; left out"),
    ("#5\n1!\n$comment ends", "line 11: the file ends inside $comment"),
    ("#5\n1!\n#60", "line 11: the file does not end with a line end; its last line may be cut"),
    ("#5\n1!\n$dumpo", "line 11: the file ends in the middle of '$dumpo'; the cut word is left "
     "out"),
])
def test_a_cut_end_is_reported_and_the_rest_is_kept(tmp_path: Path, tail: str, said: str) -> None:
    """Whatever stands before the cut is read; the cut itself is named with its line."""
    path = write(tmp_path, HEAD + tail)
    assert edges(path)[-1][1:] == ("power", 1)
    assert oddities(path) == [said]


BROKEN = {
    "empty": (b"", "capture.vcd: the file is empty."),
    "blank": (b" \n\n", "capture.vcd: the file is empty."),
    "compressed": (b"\x1f\x8b\x08\0", "capture.vcd: the file is compressed (gzip). Allowed: the "
                   "file as `gzip -d` leaves it."),
    "prose": (b"dear reader\n", "capture.vcd:1: dear reader: this is not a value change dump: it "
              "does not begin with a $ keyword."),
    "no end of declarations": (b"$var wire 1 ! a $end\n#0\n", "capture.vcd:3: the declarations "
                               "never end: no `$enddefinitions $end`."),
    "no signal": (b"$timescale 1 ns $end $enddefinitions $end\n#0\n", "capture.vcd: no $var "
                  "declares any signal."),
    "no timescale": (b"$var wire 1 ! a $end $enddefinitions $end\n#0\n1!\n", "capture.vcd: the "
                     "file states no $timescale, so its times have no unit. Allowed: timescale = "
                     '"1 ns" (for example) in the map file.'),
    "odd timescale": (b"$timescale 3 ns $end $var wire 1 ! a $end $enddefinitions $end\n",
                      "capture.vcd:1: $timescale = 3ns: this is not a timescale. Allowed: 1, 10 or "
                      "100 of s, ms, us, ns, ps or fs."),
    "half a variable": (b"$timescale 1 ns $end\n$var wire 1 ! $end\n$enddefinitions $end\n",
                        "capture.vcd:2: $var = wire 1 !: this $var is not complete. Allowed: $var "
                        "TYPE BITS CODE NAME $end."),
    "misspelt keyword": (b"$timescale 1 ns $end\n$vra wire 1 ! a $end\n$enddefinitions $end\n",
                         'capture.vcd:2: $vra: this is not a keyword. Did you mean "$var"?'),
    "word between": (b"$timescale 1 ns $end\nwire\n$enddefinitions $end\n",
                     "capture.vcd:2: wire: this does not belong between declarations. Allowed: a $ "
                     "keyword."),
    "scope": (b"$timescale 1 ns $end\n$upscope $end\n$enddefinitions $end\n",
              "capture.vcd:2: $upscope without a $scope."),
    "code twice": (b"$timescale 1 ns $end\n$var wire 1 ! a $end\n$var wire 2 ! b $end\n"
                   b"$enddefinitions $end\n", "capture.vcd:3: $var = !: the identifier code stands "
                   "for a (1 bits) already; b has 2."),
}
BODY = {
    "unknown code": ("#0\n1!\n0q\n", "capture.vcd:11: 0q: no $var declares the identifier code "
                     "`q`. Allowed: !, $, #, r."),
    "time goes back": ("#500\n1!\n#300\n0!\n", "capture.vcd:11: #300: time goes back from 500 to "
                       "300. Allowed: times that rise or stay."),
    "not a time": ("#0\n#12a\n", "capture.vcd:10: #12a: this is not a time. Allowed: # and a whole "
                   "number."),
    "fraction": ("#0\n#1.5\n", "capture.vcd:10: #1.5: this is not a time. Allowed: # and a whole "
                 "number."),
    "huge time": ("#99999999999999999999\n", "capture.vcd:9: #99999999999999999999: this time is "
                  "larger than 64 bits hold."),
    "no code": ("#0\n1\n0!\n", "capture.vcd:10: 1: a value without an identifier code."),
    "odd value": ("#0\n5!\n", "capture.vcd:10: 5!: this is neither a time, nor a change, nor a "
                  "keyword."),
    "too many digits": ("#0\nb10101 #\n", "capture.vcd:10: b10101 #: 5 digits for bars, which has "
                        "4 bits."),
    "vector of rubbish": ("#0\nb102 #\n", "capture.vcd:10: b102 #: this is not a vector. Allowed: "
                          "digits 0, 1, x and z."),
    "vector for a real": ("#0\nb101 r\n", "capture.vcd:10: b101 r: a vector for level, which is a "
                          "real number."),
    "real of rubbish": ("#0\nr1.2.3 r\n", "capture.vcd:10: r1.2.3 r: this is not a real number."),
    "text for a level": ("#0\nsHi !\n", "capture.vcd:10: sHi !: text for a wire that holds "
                         "levels."),
    "keyword inside": ("#0\n$dumpvar\n1!\n$end\n", "capture.vcd:10: $dumpvar: this keyword does "
                       "not belong among the changes. Allowed: $dumpall, $dumpoff, $dumpon, "
                       '$dumpvars, $comment, $end. Did you mean "$dumpvars"?'),
}


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_a_broken_head_is_refused_with_its_line(tmp_path: Path, name: str) -> None:
    """Whole message, one per mistake."""
    raw, message = BROKEN[name]
    assert refusal(write(tmp_path, raw)) == f"{message}\n1 problem; nothing was done."


@pytest.mark.parametrize("name", sorted(BODY))
def test_a_broken_change_is_refused_with_its_line(tmp_path: Path, name: str) -> None:
    """Whole message, one per mistake; never at the end of the file, where a cut is forgiven."""
    text, message = BODY[name]
    assert refusal(write(tmp_path, HEAD + text)) == f"{message}\n1 problem; nothing was done."


def test_a_mistake_after_many_good_lines_has_the_right_line(tmp_path: Path) -> None:
    """Blocks decoded whole and lines looked at one by one count lines alike."""
    good = "".join(f"#{k}\n{k % 2}!\n" for k in range(400_000))
    path = write(tmp_path, HEAD + good + "#7\n")
    assert refusal(path).startswith("capture.vcd:800009: #7: time goes back from 399999 to 7.")


changes = st.lists(
    st.tuples(st.integers(0, 10**6), st.sampled_from(["!", "$"]), st.sampled_from("01")),
    max_size=60)


@settings(max_examples=60, deadline=None)
@given(changes, st.sampled_from(["\n", "\r\n", " \n", "\n\n"]))
def test_whole_blocks_and_single_words_decode_alike(
    steps: list[tuple[int, str, str]], end: str
) -> None:
    """The quick decoder says what the careful one says, or nothing."""
    at = 0
    text = ""
    for wait, code, value in steps:
        at += wait
        text += f"#{at}{end}{value}{code}{end}"
    header = read_header(Path("x.vcd"), io.BytesIO(HEAD.encode()))
    quick = _Quick(header).decode(text.encode() + b"\n", 0)
    careful = _Careful(Path("x.vcd"), header, Remarks()).decode(text.encode() + b"\n", 9)
    assert quick is not None
    assert np.array_equal(quick.ticks, careful.ticks)
    assert np.array_equal(quick.wires, careful.wires)
    assert np.array_equal(quick.values, careful.values)
    assert quick.end == careful.end


def test_long_identifier_codes_are_looked_up(tmp_path: Path) -> None:
    """Codes of three and more characters, and one that is longer than a machine word."""
    for codes in (["abc", "ab", "zzzz"], ["!", "abcdefghij"]):
        declared = "".join(f"$var wire 1 {code} w{n} $end\n" for n, code in enumerate(codes))
        body = "".join(f"#{n}\n1{code}\n" for n, code in enumerate(codes))
        path = write(tmp_path, f"$timescale 1 ns $end\n{declared}$enddefinitions $end\n{body}")
        assert edges(path) == [(n, f"w{n}", 1) for n in range(len(codes))]
        bad = write(tmp_path, f"$timescale 1 ns $end\n{declared}$enddefinitions $end\n1zzz\n0!\n")
        assert "no $var declares the identifier code `zzz`" in refusal(bad)
