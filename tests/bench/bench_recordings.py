"""How quickly recordings are read and replayed, as ratios against plain readers in the same run.

    python -m tests.bench.bench_recordings [MEGABYTES]

MEGABYTES (default 20) is the size of the dump that is written on the fly; 1000 is the full case.
The slow reader gets a part of it, and its rate is per megabyte read.
"""

from __future__ import annotations

import io
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from vcd.reader import tokenize

from simfw.loading import load_gadget
from simfw.stimuli.recording import open_recording
from simfw.verify.replay import replay
from tests.verify.firmwares import LAMP
from tests.verify.recorded import seen

WIRES = 12
PYVCD_MEGABYTES = 1
ROWS = 200_000


def write_dump(path: Path, megabytes: float) -> None:
    """Twelve wires that toggle at times of their own, about 15 bytes a change."""
    codes = [chr(33 + number) for number in range(WIRES)]
    with path.open("w") as stream:
        stream.write("$timescale 1 ns $end\n")
        for number, code in enumerate(codes):
            stream.write(f"$var wire 1 {code} w{number} $end\n")
        stream.write("$enddefinitions $end\n")
        tick, written = 0, 0
        while written < megabytes * 1e6:
            lines = []
            for step in range(ROWS):
                tick += 37 + step % 91
                lines.append(f"#{tick}\n{step // WIRES % 2}{codes[step % WIRES]}")
            text = "\n".join(lines) + "\n"
            written += len(text)
            stream.write(text)


def ours(path: Path) -> int:
    """Changes read by simfw."""
    return sum(len(block.ticks) for block in open_recording(path).blocks())


def plain(path: Path) -> int:
    """Changes read by the plainest loop there is, which reports no error."""
    count = 0
    times: dict[str, list[int]] = {}
    with path.open() as stream:
        tick = 0
        for line in stream:
            if line[0] == "#":
                tick = int(line[1:])
            elif line[0] in "01":
                times.setdefault(line[1:-1], []).append(tick)
                count += 1
    return count


def pyvcd(path: Path) -> int:
    """Tokens read by pyvcd from the first megabyte."""
    raw = path.open("rb").read(PYVCD_MEGABYTES * 10**6)
    return sum(1 for _ in tokenize(io.BytesIO(raw[: raw.rfind(b"\n") + 1])))


def seconds(work: Callable[[], object]) -> float:
    """Processor time of one go."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def hour(folder: Path) -> float:
    """Processor time of the replay of an hour with a press every half minute."""
    (folder / "lamp.toml").write_text(LAMP)
    gadget = load_gadget(folder / "lamp.toml")
    rows = ["# charge: 0.8", "# recorded by: hand", "time_s,power,shelf", "0,0,0"]
    for press in range(120):
        at = 1 + 30 * press
        rows += [f"{at},1,{press % 2}", f"{at}.1,0,{press % 2}",
                 f"{at}.12,0,{1 - press % 2}"]
    rows.append("3600,0,0")
    path = folder / "hour.csv"
    path.write_text("\n".join(rows) + "\n")
    results = []

    def work() -> None:
        results.append(replay(seen(path, gadget), gadget))

    work()  # the first go imports and tabulates
    spent = seconds(work)
    assert results[-1].agrees, [one.verdict for one in results[-1].verdicts]
    return spent


def main() -> None:
    """Print the ratios."""
    megabytes = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "big.vcd"
        write_dump(path, megabytes)
        size = path.stat().st_size / 1e6
        code = ("import sys, resource\nfrom pathlib import Path\n"
                "from tests.bench.bench_recordings import ours\nours(Path(sys.argv[1]))\n"
                "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)")
        peak = int(subprocess.run([sys.executable, "-c", code, str(path)], check=True,
                                  capture_output=True, text=True).stdout) / 1000
        quick = size / seconds(lambda: ours(path))
        small = folder / "small.vcd"
        write_dump(small, min(megabytes, 20.0))
        loop = small.stat().st_size / 1e6 / seconds(lambda: plain(small))
        tokens = PYVCD_MEGABYTES / seconds(lambda: pyvcd(small))
        print(f"dump of {size:.0f} MB: simfw {quick:.1f} MB/s; plain loop {loop:.1f} MB/s, "
              f"pyvcd {tokens:.2f} MB/s")
        print(f"ratio to the plain loop {quick / loop:.2f}, to pyvcd {quick / tokens:.1f}")
        print(f"peak memory of the reading process {peak:.0f} MB")
        print(f"an hour of button use replayed in {hour(folder):.2f} s of processor time")
        own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        print(f"(this process: {own:.0f} MB)")


if __name__ == "__main__":
    main()
