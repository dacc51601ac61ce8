"""Rules with their sentences read: what must hold in every run."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from simfw.behaviour.parsing import parse_expression
from simfw.behaviour.region import System
from simfw.behaviour.tree import Expression, Names
from simfw.errors import DescriptionError, Problem
from simfw.gadget.model import Gadget, Rule

__all__ = ["BoundRule", "RuleKind", "bind_rules", "build_rules"]

RuleKind = Literal["never", "always", "response", "stays"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundRule:
    """A rule of a gadget file.

    `never` and `always`: `statement`. `stays`: `statement`, once true, is true for at least
    `for_ns`. `response`: after `when`, `then` holds in a settled state within `within_ns`; `when`
    may name events. Fields that a kind does not use are None (texts: empty).
    """

    key: str
    name: str
    kind: RuleKind
    statement: Expression | None = None
    when: Expression | None = None
    then: Expression | None = None
    within_ns: int | None = None
    for_ns: int | None = None
    statement_text: str = ""
    when_text: str = ""
    then_text: str = ""


def build_rules(gadget: Gadget, system: System) -> tuple[BoundRule, ...]:
    """The rules of `gadget`, in file order. Raises `DescriptionError` with all their problems."""
    rules, problems = bind_rules(gadget.rules, system.names)
    if problems:
        raise DescriptionError(problems)
    return rules


def bind_rules(
    rules: tuple[Rule, ...], names: Names
) -> tuple[tuple[BoundRule, ...], list[Problem]]:
    """The rules that can be read, and the problems of those that cannot."""
    bound: list[BoundRule] = []
    problems: list[Problem] = []
    for index, rule in enumerate(rules):
        key = f"rules[{index}]"
        try:
            bound.append(_bound(rule, key, names))
        except DescriptionError as error:
            problems.extend(error.problems)
    return tuple(bound), problems


def _bound(rule: Rule, key: str, names: Names) -> BoundRule:
    written = {
        "never": rule.never is not None,
        "always": rule.always is not None,
        "when": rule.when is not None,
        "then": rule.then is not None,
        "within": rule.within is not None,
        "stays": rule.stays is not None,
        "for": rule.for_ is not None,
    }
    match tuple(word for word, stands in written.items() if stands):
        case ("never",) | ("always",) as kinds:
            text = rule.never if rule.never is not None else rule.always or ""
            return BoundRule(
                key=key, name=rule.name, kind="never" if kinds == ("never",) else "always",
                statement=parse_expression(text, names, key=f"{key}.{kinds[0]}"),
                statement_text=text,
            )
        case ("when", "then", "within"):
            when, then = rule.when or "", rule.then or ""
            problems: list[Problem] = []
            read: list[Expression] = []
            for text, word in ((when, "when"), (then, "then")):
                try:
                    read.append(
                        parse_expression(
                            text, names, key=f"{key}.{word}", events_allowed=word == "when"
                        )
                    )
                except DescriptionError as error:
                    problems.extend(error.problems)
            if problems:
                raise DescriptionError(problems)
            return BoundRule(
                key=key, name=rule.name, kind="response", when=read[0], then=read[1],
                within_ns=rule.within.ns if rule.within else 0, when_text=when, then_text=then,
            )
        case ("stays", "for"):
            text = rule.stays or ""
            return BoundRule(
                key=key, name=rule.name, kind="stays",
                statement=parse_expression(text, names, key=f"{key}.stays"),
                for_ns=rule.for_.ns if rule.for_ else 0, statement_text=text,
            )
        case _:
            raise DescriptionError([
                Problem(key=key, text="these keys do not make one rule",
                        allowed="never; always; when, then and within; stays and for"),
                *_misread(rule, key, names),
            ])


def _misread(rule: Rule, key: str, names: Names) -> Iterator[Problem]:
    """What is wrong with each expression of a rule, whatever its other keys."""
    for word in ("never", "always", "when", "then", "stays"):
        text = getattr(rule, word)
        if text is None:
            continue
        try:
            parse_expression(text, names, key=f"{key}.{word}", events_allowed=word == "when")
        except DescriptionError as error:
            yield from error.problems
