"""The pictures of the pages, made from the demo gadgets.

    python -m tests.pictures

writes them all into docs/images; a test compares the words and figures in them with fresh ones.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import redirect_stdout
from html import unescape
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

from simfw.behaviour.build import build_system
from simfw.cli import main
from simfw.loading import load_gadget
from simfw.quantity import format_si
from simfw.report.specification.behaviour import region_drawing
from simfw.report.specification.subject import subject_of

ROOT = Path(__file__).parents[1]
IMAGES = ROOT / "docs" / "images"
HOOK = ROOT / "scenarios" / "key-hook"
LAMP = ROOT / "scenarios" / "larder-lamp"


def _plot(*words: str | Path) -> Callable[[Path], None]:
    """What draws a picture with the `--plot` of a command."""

    def draw(path: Path) -> None:
        with redirect_stdout(StringIO()):
            status = main([*(str(word) for word in words), "--plot", str(path)])
        assert status == 0

    return draw


def _disagrees(path: Path) -> None:
    """The recording of the page about a replay that disagrees, beside its first guess."""
    page = (ROOT / "docs/how-to/a-replay-that-disagrees.md").read_text(encoding="utf-8")
    with TemporaryDirectory() as name:
        folder = Path(name)
        for _, file, text in reversed(re.findall(r"^```(toml|csv) (\S+)\n(.*?)^```$", page,
                                                 re.DOTALL | re.MULTILINE)):
            (folder / file).write_text(text, encoding="utf-8")  # of two the first one stays
        with redirect_stdout(StringIO()):
            status = main(["replay", str(folder / "capture.csv"), "--map",
                           str(folder / "capture-map.toml"), "--plot", str(path)])
    assert status == 1


def _diagram(path: Path) -> None:
    """The states of the key-hook light's lamp, as the specification draws them."""
    gadget = load_gadget(HOOK / "gadget.toml")
    system = build_system(gadget)
    region = next(one for one in system.regions if one.name == "lamp_mode")
    path.write_text(region_drawing(subject_of(gadget, system), region).svg + "\n",
                    encoding="utf-8")


def clipped(path: Path) -> None:
    """The same drawing with the points at which a recorder is clipped on."""
    clips = ((214, 136, 152, 141, "D0: key"), (406, 76, 406, 50, "D1: lamp"),
             (420, 226, 420, 210, "GND"))
    traced(path)
    text = path.read_text(encoding="utf-8").replace(
        "<title>The key-hook light as traced</title>",
        "<title>Where to clip on</title>").replace(
        "</desc>", " Clips sit on the controller's side of the button, on the pin that drives the "
        "light, and on the controller's ground.</desc>")
    marks = "\n".join(
        f'<circle cx="{x}" cy="{y}" r="6" fill="#ffffff" stroke="#0072b2" stroke-width="3"/>\n'
        f'<text x="{at_x}" y="{at_y}" text-anchor="middle" fill="#0072b2" font-weight="bold">'
        f"{name}</text>" for x, y, at_x, at_y, name in clips)
    path.write_text(text.replace("\n</svg>", f"\n{marks}\n</svg>"), encoding="utf-8")


def traced(path: Path) -> None:
    """The key-hook light as somebody would draw it from its board, with the values of its file."""
    gadget = load_gadget(HOOK / "gadget.toml")
    light, controller = gadget.lights["lamp"], gadget.controller
    assert controller is not None
    assert light.resistor is not None
    capacity_mah = gadget.cell.capacity.value / 3.6
    words: Sequence[tuple[int, int, str]] = (
        (70, 78, "coin cell"),
        (70, 96, f"{capacity_mah:.3g} mAh"),
        (70, 114, format_si(gadget.cell.resistance.value, "Ω") + " inside"),
        (300, 96, "microcontroller"),
        (300, 116, f"asleep {format_si(controller.asleep.value, 'A')}"),
        (300, 134, f"awake {format_si(controller.awake.value, 'A')}"),
        (136, 178, "button: key"),
        (478, 62, format_si(light.resistor.value, "Ω")),
        (508, 116, f"{light.colour} light"),
    )
    wire = 'fill="none" stroke="#000000" stroke-width="1.6"'
    shapes = [
        f'<rect x="20" y="56" width="100" height="72" rx="36" {wire}/>',
        f'<rect x="232" y="56" width="136" height="96" rx="4" {wire}/>',
        # Supply and ground.
        f'<path d="M70 56 V24 H300 V56 M70 128 V226 H560 V120 M300 152 V226" {wire}/>',
        # The button from a pin to ground.
        f'<path d="M232 136 H188 V162 M188 190 L177 165 M188 190 V226" {wire}/>',
        # A pin, the resistor, the light.
        f'<path d="M368 76 H446 M510 76 H560 V100" {wire}/>',
        f'<rect x="446" y="68" width="64" height="16" {wire}/>',
        '<path d="M546 100 H574 L560 120 Z" fill="#d55e00" stroke="#000000" stroke-width="1.6"/>',
        f'<path d="M546 120 H574 M580 104 l12 -8 M580 112 l12 -8" {wire}/>',
    ]
    texts = [f'<text x="{x}" y="{y}" text-anchor="middle">{word}</text>' for x, y, word in words]
    about = ("A coin cell feeds a microcontroller. A button connects one pin to ground. Another "
             "pin drives a light through a resistor.")
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 620 240" width="620" height="240" '
        'role="img" font-family="sans-serif" font-size="13">\n'
        f"<title>The key-hook light as traced</title>\n<desc>{about}</desc>\n"
        '<rect width="620" height="240" fill="#ffffff"/>\n'
        + "\n".join([*shapes, *texts]) + "\n</svg>\n", encoding="utf-8")


PICTURES: Mapping[str, Callable[[Path], None]] = {
    "key-hook.svg": traced,
    "clips.svg": clipped,
    "disagrees.svg": _disagrees,
    "states.svg": _diagram,
    "lights.svg": _plot("circuit", LAMP / "gadget.toml"),
    "users.svg": _plot("life", HOOK / "comings-and-goings.toml", "--users", "8"),
    "designs.svg": _plot("sweep", HOOK / "comings-and-goings.toml", "--users", "4", "--vary",
                         "lights.lamp.resistor=100R..470R:5"),
}


def words_in(path: Path) -> list[str]:
    """What can be read in an SVG, its title and description first."""
    source = path.read_text(encoding="utf-8")
    return [unescape(word) for word in
            re.findall(r"<(?:title|desc|text)\b[^>]*>([^<]*)</", source)]


if __name__ == "__main__":
    for name, make in PICTURES.items():
        make(IMAGES / name)
        print(IMAGES / name)
