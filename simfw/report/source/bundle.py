"""The whole output folder as texts by name."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from typing import TYPE_CHECKING

from simfw.behaviour.expression import names_in
from simfw.behaviour.hold import holding
from simfw.behaviour.region import System
from simfw.report.source.emit import names_files, tables_header, tables_source
from simfw.report.source.layout import lay_out
from simfw.report.source.plan import Plan, make_plan
from simfw.report.source.readme import readme
from simfw.report.source.tick import choose_tick
from simfw.report.specification.prose import text_of

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = [
    "FLAGS",
    "YOURS",
    "c_files",
    "gadget_plan",
    "harness_files",
    "source_files",
]

FLAGS = "-std=c99 -Wall -Wextra -Wpedantic -Werror -Wconversion"
FIRMWARE = ("firmware.h", "firmware.c", "hooks.h")
YOURS = ("board.c", "Makefile")  # whoever brings the firmware to a board changes these
ALWAYS = (*FIRMWARE, "board.c", "harness.c")


def static_text(name: str) -> str:
    """The text of one of the files that are the same for every gadget."""
    return (resources.files("simfw.report.source") / "static" / name).read_text(encoding="utf-8")


def system_plan(system: System, segments: Mapping[str, int]) -> Plan:
    """Number everything in `system`; the sensors that guards ask for an echo are found in it."""
    asked = [row.when for region in system.regions for row in region.rows if row.when is not None]
    asked += [condition.when for condition in system.conditions]
    echoes = sorted(
        {
            flag.removesuffix(".echo")
            for part in asked
            for flag in names_in(part).flags
            if flag.endswith(".echo")
        }
    )
    reached = [
        f"{name}.{number}" for name, levels in system.measures.items()
        for number in range(1, len(levels.all) + 1)
    ]
    return make_plan(system, segments, echoes, reached)


def c_files(
    system: System, segments: Mapping[str, int], name: str = "", digest: str = ""
) -> dict[str, str]:
    """The generated C of `system` alone: tables and names. `segments` counts those of lights."""
    plan = system_plan(system, segments)
    tick = choose_tick(system)
    layout = lay_out(plan)
    names_h, names_c = names_files(plan)
    return {
        "tables.h": tables_header(plan, layout, name, digest, tick),
        "tables.c": tables_source(plan, layout),
        "names.h": names_h,
        "names.c": names_c,
    }


def harness_files(system: System, segments: Mapping[str, int], name: str = "") -> dict[str, str]:
    """Everything that compiles to the host program: generated tables, step function, harness."""
    return c_files(holding(system), segments, name) | {
        file: static_text(file) for file in (*FIRMWARE, "harness.c")
    }


def gadget_plan(gadget: Gadget, system: System) -> Plan:
    """The plan of a gadget, with the segment counts of its lights."""
    return system_plan(holding(system), gadget.segments)


def source_files(gadget: Gadget, system: System) -> dict[str, str]:
    """All files of the output folder by name."""
    system = holding(system)
    files = c_files(system, gadget.segments, gadget.head.name, gadget.digest)
    files |= {name: static_text(name) for name in ALWAYS}
    files["Makefile"] = MAKEFILE
    files["protocol.md"] = text_of("protocol")
    files["README.md"] = readme(static_text("README.md"), gadget, gadget_plan(gadget, system))
    return files


MAKEFILE = f"""\
# `make` builds the host harness; `make size` tells what the firmware takes; `make check` compiles
# everything without a warning.
FLAGS = {FLAGS}
FIRMWARE = firmware.c tables.c
HEADERS = firmware.h tables.h hooks.h names.h

harness: $(FIRMWARE) names.c harness.c $(HEADERS)
\t$(CC) $(FLAGS) -O1 -DFW_HOST -o $@ $(FIRMWARE) names.c harness.c

check: $(FIRMWARE) board.c harness
\t$(CC) $(FLAGS) -Os -o firmware $(FIRMWARE) board.c

size: $(FIRMWARE)
\t$(CC) $(FLAGS) -Os -c $(FIRMWARE)
\tsize firmware.o tables.o

clean:
\trm -f harness firmware *.o

.PHONY: check size clean
"""
