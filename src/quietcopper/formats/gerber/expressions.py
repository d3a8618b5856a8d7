"""Arithmetic of aperture macros, evaluated without recursion and within bounds.

Numbers, variables $n, the operators + - x / with their usual precedence, and brackets (Gerber Layer Format
Specification 2024.05, section 4.5.4.2). An expression is compiled once to postfix order and then only run.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

MAX_TERMS = 1000  # numbers and operators of one expression; real macros have ten
MAX_DEPTH = 50  # of brackets and signs

_TERM = re.compile(r"\s*(?:(\d+\.?\d*|\.\d+)|\$(\d{1,9})|([-+xX/()]))")
_RANK = {"+": 1, "-": 1, "x": 2, "/": 2, "neg": 3}

Step = float | int | str  # a number, the number of a variable, an operator


class BadMacro(Exception):
    """A macro or expression that cannot be used; the message says what is wrong with it, without place."""


@dataclass(frozen=True)
class Expression:
    """steps : postfix; floats are numbers, ints are variables, strings are operators."""

    steps: tuple[Step, ...]

    def value(self, variables: Mapping[int, float]) -> float:
        """The value; variables that were never set are 0. Raises BadMacro for a division by zero or an overflow."""
        if len(self.steps) == 1:  # by far the commonest
            only = self.steps[0]
            return only if isinstance(only, float) else variables.get(int(only), 0.0)
        stack: list[float] = []
        for step in self.steps:
            if isinstance(step, float):
                stack.append(step)
            elif isinstance(step, int):
                stack.append(variables.get(step, 0.0))
            elif step == "neg":
                stack[-1] = -stack[-1]
            else:
                right = stack.pop()
                stack[-1] = _operate(step, stack[-1], right)
        if not math.isfinite(stack[0]):
            raise BadMacro("an expression without a finite value")
        return stack[0]


def _operate(operator: str, left: float, right: float) -> float:
    if operator == "+":
        return left + right
    if operator == "-":
        return left - right
    if operator == "x":
        return left * right
    if right == 0:
        raise BadMacro("a division by zero")
    return left / right


def compile_expression(text: str) -> Expression:
    """Raises BadMacro for anything that is no expression, and for one beyond the bounds."""
    steps: list[Step] = []
    waiting: list[str] = []  # operators and brackets not yet written out
    operand_next, at, end = True, 0, len(text.rstrip())
    while at < end:
        match = _TERM.match(text, at)
        if match is None:
            raise BadMacro(f"{text[at : at + 20]!r} in an expression")
        at = match.end()
        number, variable, sign = match.groups()
        if len(steps) + len(waiting) >= MAX_TERMS:
            raise BadMacro(f"an expression of more than {MAX_TERMS} terms")
        if number or variable:
            if not operand_next:
                raise BadMacro(f"two values without an operator between them in {text[:40]!r}")
            steps.append(float(number) if number else int(variable))
            operand_next = False
        elif sign == "(":
            if not operand_next:
                raise BadMacro(f"a value before a bracket in {text[:40]!r}")
            waiting.append("(")
        elif sign == ")":
            if operand_next:
                raise BadMacro(f"a bracket without a value before it in {text[:40]!r}")
            while waiting and waiting[-1] != "(":
                steps.append(waiting.pop())
            if not waiting:
                raise BadMacro(f"a closing bracket too many in {text[:40]!r}")
            waiting.pop()
        elif operand_next:
            if sign not in "+-":
                raise BadMacro(f"the operator {sign} without a value before it in {text[:40]!r}")
            if sign == "-":
                waiting.append("neg")
        else:
            operator = sign.lower()
            while waiting and waiting[-1] != "(" and _RANK[waiting[-1]] >= _RANK[operator]:
                steps.append(waiting.pop())
            waiting.append(operator)
            operand_next = True
        if len(waiting) > MAX_DEPTH:
            raise BadMacro(f"an expression nested more than {MAX_DEPTH} deep")
    if operand_next:
        raise BadMacro(f"an expression that ends too early, {text[:40]!r}" if text.strip() else "an empty value")
    while waiting:
        operator = waiting.pop()
        if operator == "(":
            raise BadMacro(f"a bracket that is never closed in {text[:40]!r}")
        steps.append(operator)
    return Expression(tuple(steps))
