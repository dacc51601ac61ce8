"""What a command tells beside its answer where a gadget was changed for it, and how it is told."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from simfw.commands._shared import dump_json, paint_for
from simfw.errors import UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Mapping

__all__ = ["Against", "add_set", "answer", "as_written", "refuse_beside", "settings_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """What an answer is compared with: `other` computes the same value of the documented JSON."""

    title: str
    other: Callable[[], Mapping[str, Any]]
    before: str
    values: Mapping[str, Any] = field(default_factory=dict)


def add_set(parser: argparse.ArgumentParser) -> None:
    """Add `--set` to a command that reads a gadget."""
    parser.add_argument(
        "--set", dest="settings", action="append", default=[], metavar="KEY=VALUE",
        help="compute with this value in place of the gadget file's (may be repeated)",
    )


def settings_of(arguments: argparse.Namespace) -> dict[str, Any]:
    """What `--set` says; raises `UsageError`."""
    from simfw.setting import parse_settings

    return parse_settings(arguments.settings)


def refuse_beside(settings: Mapping[str, Any], option: str, wanted: object) -> None:
    """Raise `UsageError` where `option` is to write scenarios, and something is set."""
    if settings and wanted is not None:
        raise UsageError(f"--set and {option} do not go together: a scenario would name the "
                         "gadget file, which does not hold what is set.")


def as_written(
    settings: Mapping[str, Any], other: Callable[[], Mapping[str, Any]]
) -> Against | None:
    """The comparison with the file as it stands, where something is set."""
    if not settings:
        return None
    values = ", ".join(f"{key} = {value}" for key, value in settings.items())
    return Against(title=f"With {values}", other=other, before="as written", values=settings)


def answer(
    value: dict[str, Any], text: Callable[[], str], against: Against | None, *, as_json: bool
) -> str:
    """What a command prints: `value` as JSON, or the text, with what differs from `against`."""
    if against is None:
        return dump_json(value) if as_json else text()
    from simfw.report.differences import compare, compared_json, compared_text

    found = compare(against.other(), value)
    if as_json:
        told = {"values": dict(against.values), "before": against.before} | compared_json(found)
        return dump_json(value | {"differences": told})
    return text() + "\n" + compared_text(
        found, against.title, paint_for(sys.stdout), before=against.before)
