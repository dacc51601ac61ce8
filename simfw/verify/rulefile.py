"""A file with nothing but `[[rules]]`, for rules that are no part of the gadget file."""

from __future__ import annotations

from pathlib import Path

from simfw.behaviour.build import names_of
from simfw.behaviour.rules import bind_rules
from simfw.errors import DescriptionError, Problem
from simfw.gadget.model import Gadget, Rule
from simfw.gadget.part import Part
from simfw.tomlfile import read_toml
from simfw.validation import check_data

__all__ = ["read_rules"]


class _RuleFile(Part):
    rules: tuple[Rule, ...]


def read_rules(path: str | Path, gadget: Gadget) -> tuple[Rule, ...]:
    """Read a file of rules about `gadget`; raises `DescriptionError` with all its problems."""
    file = read_toml(path)
    checked = check_data(_RuleFile, file.data, {"rules": [{"name": "a rule"}], "name": "a rule"})
    problems = list(checked.problems)
    rules = () if checked.value is None else checked.value.rules
    problems += checked.keep(bind_rules(rules, names_of(gadget))[1])
    taken = {rule.name: "the gadget file has a rule of the same name" for rule in gadget.rules}
    for index, rule in enumerate(rules):
        if rule.name in taken:
            problems.append(
                Problem(key=f"rules[{index}].name", found=f'"{rule.name}"', text=taken[rule.name],
                        allowed="a name of its own for each rule")
            )
        taken.setdefault(rule.name, f"this name is already used by rules[{index}]")
    if problems:
        raise DescriptionError(file.locate(problems))
    return rules
