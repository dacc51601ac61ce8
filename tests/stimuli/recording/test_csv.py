"""Tables: every layout, exact times, oddities said, mistakes refused with their line."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfw.errors import DescriptionError
from simfw.stimuli.recording import Remarks, open_recording
from simfw.stimuli.recording.base import seconds_text


def read(tmp_path: Path, text: str | bytes) -> tuple[list[tuple[int, str, object]], list[str]]:
    """Changes and remarks of a table."""
    path = tmp_path / "log.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    recording = open_recording(path)
    remarks = Remarks()
    edges = [tuple(edge) for edge in recording.edges(remarks)]
    return edges, [str(remark) for remark in (*recording.open_remarks, *remarks)]


ROWS = [(0, "power", 0), (0, "shelf", 0.0), (12_500_000, "power", 1), (20_000_000, "shelf", 0.45)]


@pytest.mark.parametrize("text", [
    "time_ms,power,shelf\n0,0,0\n12.5,1,\n20,,0.45\n",
    "time_ms;power;shelf\n0;0;0\n12,5;1;\n20;;0,45\n",
    "time_ms\tpower\tshelf\n0\t0\t0\n12.5\t1\t0\n20\t1\t0.45\n",
    "# a comment: with a colon\n\nTime [ms], power, shelf\n0, low, off\n12.5, high, off\n"
    "20, 1, 0.45\n",
    "time_s,power,shelf\r\n0,0,0\r\n0.0125,true,0\r\n0.02,1,0.45\r\n",
    "time_us,signal,value\n0,power,0\n0,shelf,0\n12500,power,1\n20000,shelf,0.45\n",
    "# sample rate: 400 Hz\npower,shelf\n0,0\n0,0\n0,0\n0,0\n0,0\n1,0\n1,0\n1,0\n1,0.45\n",
])
def test_every_layout_says_the_same(tmp_path: Path, text: str) -> None:
    """Separators, decimal commas, units, long form and regular samples give the same changes."""
    edges, _ = read(tmp_path, text)
    scale = 12_500_000 // 5 if "sample rate" in text else 1
    assert [(tick * scale, wire, value) for tick, wire, value in edges] == ROWS


@pytest.mark.parametrize("separator", [",", ";"])
def test_rows_at_even_times_are_samples(tmp_path: Path, separator: str) -> None:
    """Fifty rows 20 ms apart that mostly repeat: 50 Hz; a blink that has a row a change is none."""
    path = tmp_path / "log.csv"
    point = "," if separator == ";" else "."
    rows = {
        "samples": [(20 * k, int(k in (7, 30))) for k in range(50)],
        "changes": [(20 * k, k % 2) for k in range(50)],
        "uneven": [(20 * k + (k == 40), 0) for k in range(50)],
        "few": [(20 * k, 0) for k in range(10)],
    }
    found = {}
    for name, table in rows.items():
        path.write_text("\n".join([f"time_ms{separator}a", *(
            f"{at}.0".replace(".", point) + f"{separator}{level}" for at, level in table)]) + "\n")
        found[name] = open_recording(path).sample_hz
    assert found == {"samples": Fraction(50), "changes": None, "uneven": None, "few": None}


@pytest.mark.parametrize(("text", "resolution_s"), [
    ("time_s,a\n0,1\n1.5,0\n2.500,1\n", Fraction(1, 1000)),  # the zeros were written
    ("time_ms;a\n0;1\n1,5;0\n", Fraction(1, 10_000)),
    ("time_s,a\n0,1\n2e-3,0\n", Fraction(1, 1000)),
    ("time_us,a\n0,1\n20,0\n", Fraction(1, 10**6)),
    ("time_s,a\n0,1\n0.0000000001,0\n", Fraction(1, 10**10)),
    ("# clock: exact\ntime_s,a\n0,1\n2,0\n", Fraction(1, 10**9)),
    ("# sample rate: 50 Hz\na\n0\n1\n", Fraction(1, 50)),
])
def test_times_are_known_to_their_last_written_place(tmp_path: Path, text: str,
                                                     resolution_s: Fraction) -> None:  # fmt: skip
    """A table with times to a millisecond tells nothing of microseconds, whatever its tick is."""
    path = tmp_path / "log.csv"
    path.write_text(text)
    assert open_recording(path).resolution_s == resolution_s


def test_times_are_never_floats(tmp_path: Path) -> None:
    """Nine decimals of a second are nine decimals, however large the number before them."""
    edges, _ = read(tmp_path, "time_s,a\n123456789.000000001,1\n123456789.000000002,0\n")
    assert [tick for tick, _, _ in edges] == [123456789000000001, 123456789000000002]


@given(st.lists(st.integers(0, 10**12), min_size=1, max_size=20))
def test_a_time_in_seconds_reads_back_to_its_nanosecond(
    tmp_path_factory: pytest.TempPathFactory, times: list[int]
) -> None:
    """What `seconds_text` writes is read to the same tick."""
    rows = [f"{seconds_text(t, Fraction(1, 10**9))},{k % 2}" for k, t in enumerate(sorted(times))]
    folder = tmp_path_factory.mktemp("times")
    edges, _ = read(folder, "time_s,a\n" + "\n".join(rows) + "\n")
    assert {tick for tick, _, _ in edges} <= set(times)
    assert edges[0][0] == min(times)


def test_finer_times_get_a_finer_tick(tmp_path: Path) -> None:
    """Picoseconds in the first rows are kept; later ones that are finer are rounded and said."""
    edges, remarks = read(tmp_path, "time_ns,a\n0,0\n0.001,1\n")
    assert [tick for tick, _, _ in edges] == [0, 1]
    assert remarks == []
    late = "time_s,a\n" + "".join(f"{k},{k % 2}\n" for k in range(300)) + "300.0000000005,1\n"
    edges, remarks = read(tmp_path, late)
    assert remarks == ["line 302: the time 300.0000000005 is finer than the tick of 1e-9 s; "
                       "rounded"]


def test_oddities_are_said(tmp_path: Path) -> None:
    """x, z, a decimal comma, a missing last line end, UTF-16 and a trailing separator."""
    edges, remarks = read(tmp_path, "time_ms;a;b;\n0;0;x;\n1,5;z;1;\n2;1;0")
    assert edges == [(0, "a", 0), (0, "b", "x"), (1_500_000, "a", "z"), (1_500_000, "b", 1),
                     (2_000_000, "a", 1), (2_000_000, "b", 0)]
    assert remarks == [
        "line 2: b is x here",
        "line 3: times are written with a decimal comma",
        "line 3: a is z here",
        "line 4: the file does not end with a line end; its last row (which ends in '0') may be "
        "cut"]
    edges, remarks = read(tmp_path, "time_s,a\n0,1\n".encode("utf-16"))
    assert (edges, remarks) == ([(0, "a", 1)], ["line 1: the file is UTF-16; read as such"])


BROKEN = {
    "empty": ("", "log.csv: the file is empty."),
    "binary": (b"\1\0\0\2", "log.csv:1: this is not text: the file holds zero bytes."),
    "comments only": ("# nothing\n", "log.csv: the file has comments but no header."),
    "header only": ("time_s,a\n", "log.csv:1: no row follows the header."),
    "header only, long": ("time_s,signal,value\n", "log.csv:1: no row follows the header."),
    "no time": ("tme_s,a\n0,0\n", "log.csv:1: tme_s,a: no time column. Allowed: a column time_s, "
                "time_ms, time_us, time_ns or time_ps, or a comment `# sample rate: 4 MHz`. Did "
                'you mean "time_s"?'),
    "no unit": ("time,a\n0,0\n", "log.csv:1: time: the time column needs a unit. Allowed: time_s, "
                "time_ms, time_us, time_ns or time_ps."),
    "odd unit": ("time_min,a\n0,0\n", "log.csv:1: time_min: there is no unit \"min\" for a time "
                 "column. Allowed: time_s, time_ms, time_us, time_ns or time_ps."),
    "two times": ("time_s,time_ms,a\n0,0,0\n", "log.csv:1: time_s, time_ms: more than one time "
                  "column."),
    "only time": ("time_s\n0\n", "log.csv:1: time_s: no column besides the time."),
    "doubled": ("time_s,a,a\n0,0,0\n", "log.csv:1: a: two columns have the same name."),
    "nameless": ("time_s,,a\n0,0,0\n", "log.csv:1: time_s,,a: column 2 has no name."),
    "rate": ("# sample rate: quick\na\n0\n", "log.csv: sample rate = quick: this is not a sample "
             "rate. Allowed: for example `4 MHz`."),
    "short row": ("time_s,a,b\n0,0,0\n1,1\n", "log.csv:3: 1,1: 2 cells where the header has 3."),
    "long row": ("time_s,a\n0,0\n1,1,1\n", "log.csv:3: 1,1,1: 3 cells where the header has 2. "
                 "Allowed: a decimal comma only where the cells are separated by semicolons or "
                 "tabs."),
    "back": ("time_s,a\n2,0\n1,1\n", "log.csv:3: 1: time goes back. Allowed: times that rise or "
             "stay."),
    "not a time": ("time_s,a\n0,0\nsoon,1\n", "log.csv:3: time = soon: this is not a time. "
                   "Allowed: a decimal number."),
    "huge": ("time_s,a\n0,0\n1e12,1\n", "log.csv:3: 1e12: this time is larger than 64 bits hold."),
    "not a level": ("time_s,a\n0,0\n1,maybe\n", "log.csv:3: a = maybe: this is not a level. "
                    "Allowed: 0, 1, low, high, on, off, true, false, none, x, z, a number, or "
                    "nothing."),
}


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_a_broken_table_is_refused_with_its_line(tmp_path: Path, name: str) -> None:
    """Whole message, one per mistake."""
    text, message = BROKEN[name]
    with pytest.raises(DescriptionError) as caught:
        read(tmp_path, text)
    shown = str(caught.value).replace(f"{tmp_path}/", "")
    assert shown == f"{message}\n1 problem; nothing was done."


def test_a_cell_of_megabytes_is_told_with_its_line(tmp_path: Path) -> None:
    """In the header's rows, in a later row, and in a table of signal and value."""
    long = "1" * 3_000_000
    for number, (text, line) in enumerate((
        (f"time_s,a\n0,{long}\n", 2),
        ("time_s,a\n" + "".join(f"{k},{k % 2}\n" for k in range(300)) + f"300,{long}\n", 302),
        (f"time_s,signal,value\n0,a,1\n1,{long},1\n", 3),
    )):
        path = tmp_path / f"{number}.csv"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(DescriptionError, match=rf"\.csv:{line}: this row cannot be read"):
            list(open_recording(path).blocks())


@pytest.mark.parametrize("row", ["1e999,1", "1e-999,1", "9e99,1", f"{'9' * 50},1", "1,1e999",
                                 "1,-1e300", "1,9e40", "\N{SUPERSCRIPT TWO},1"])
def test_numbers_beyond_all_bounds_are_told(row: str, tmp_path: Path) -> None:
    """Times that no clock counts and levels that nothing has, infinity among them."""
    path = tmp_path / "large.csv"
    path.write_text(f"time_s,a\n0,0\n{row}\n", encoding="utf-8")
    if row.startswith("1e-"):
        assert [edge.tick for edge in open_recording(path).edges()] == [0, 0]
        return
    with pytest.raises(DescriptionError, match=r"\.csv:3: "):
        list(open_recording(path).blocks())


def test_all_faulty_rows_of_a_table_are_told_together(tmp_path: Path) -> None:
    """Each with its line; rows after many faulty ones are not read, and that is told."""
    text = "time_ms,power,shelf\n0,0,0\n1,maybe,0\n2,1\nsoon,1,0\n0.5,1,0\n3,1,0\n"
    with pytest.raises(DescriptionError) as raised:
        read(tmp_path, text)
    assert [(one.line, one.text) for one in raised.value.problems] == [
        (3, "this is not a level"), (4, "2 cells where the header has 3"),
        (5, "this is not a time"), (6, "time goes back")]
    with pytest.raises(DescriptionError) as raised:
        read(tmp_path, "time_ms,power\n" + "".join(f"{n},maybe{n}\n" for n in range(30)))
    assert [one.line for one in raised.value.problems] == [*range(2, 22), 21]
    assert raised.value.problems[-1].text == "the rows after this one were not read"
