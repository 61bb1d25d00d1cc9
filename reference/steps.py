"""A context that keeps every operation in order, so that a replay can show how a value came about."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from reference.context import Context, Number, Operand
from reference.errors import NumberRefused
from reference.intervals import Interval, IntervalContext


class Step(Operand):
    """An interval with the name or formula it is shown under."""

    __slots__ = ("label", "value")

    def __init__(self, context: Context, value: Interval, label: str) -> None:
        self.context, self.value, self.label = context, value, label


class StepContext(Context):
    """Intervals that note each operation on an input or constant as (label, value) text."""

    def __init__(self, intervals: IntervalContext, digits: int) -> None:
        self._intervals, self._digits = intervals, digits
        self._lines: list[tuple[str, str]] = []
        self._names: dict[str, str] = {}

    def run(
        self, function: Callable[..., Any], inputs: Sequence[Fraction], constants: Mapping[str, object]
    ) -> list[tuple[str, str]]:
        """All steps of one evaluation; the last line is the result."""
        names = [name for name in inspect.signature(function).parameters][1:]
        given = []
        for index, value in enumerate(inputs):
            name = names[index] if index < len(names) else f"input {index + 1}"
            given.append(self._note(self._intervals.number(value), name))
        for name, constant in constants.items():
            if isinstance(constant, (int, float, str, Fraction)) and not isinstance(constant, bool):
                try:
                    number = self._intervals.number(constant)
                except NumberRefused:  # a word that chooses a rule, such as rounding="even"
                    self._lines.append((name, str(constant)))
                    continue
                self._note(number, name)
                self._names[repr(constant)] = name
        result = self.own(function(self, *given, **constants))
        label, text = self._lines[-1] if self._lines else ("", "")
        if result.label == label.split(":")[0] and ":" in label:
            self._lines[-1] = ("result:" + label.split(":", 1)[1], text)
        else:
            self._lines.append((f"result: {result.label}", self._text(result.value)))
        return self._lines

    def _text(self, value: Interval) -> str:
        return self._intervals.text(value, self._digits)

    def _note(self, value: Interval, label: str) -> Step:
        self._lines.append((label, self._text(value)))
        return Step(self, value, label)

    def _operation(self, value: Interval, formula: str) -> Step:
        count = sum(1 for label, _ in self._lines if label.startswith("step ")) + 1
        self._lines.append((f"step {count}: {formula}", self._text(value)))
        return Step(self, value, f"step {count}")

    def number(self, value: object) -> Number:
        if isinstance(value, Operand):
            return self.own(value)
        name = self._names.get(repr(value), value if isinstance(value, str) else None)
        exact = self._intervals.number(value)
        return Step(self, exact, name or self._text(exact))

    @property
    def pi(self) -> Number:
        return Step(self, self._intervals.pi, "pi")

    def constant(self, value: Fraction) -> Number:
        return Step(self, self._intervals.constant(value), str(value))

    def _binary(self, name: str, a: Number, b: Number, sign: str = "") -> Step:
        a, b = self.own(a), self.own(b)
        value = getattr(self._intervals, name)(a.value, b.value)
        formula = f"{_bracketed(a)} {sign} {_bracketed(b)}" if sign else f"{name}({a.label}, {b.label})"
        return self._operation(value, formula)

    def _unary(self, name: str, x: Number) -> Step:
        x = self.own(x)
        return self._operation(getattr(self._intervals, name)(x.value), f"{name}({x.label})")

    def add(self, a: Number, b: Number) -> Number:
        return self._binary("add", a, b, "+")

    def subtract(self, a: Number, b: Number) -> Number:
        return self._binary("subtract", a, b, "-")

    def multiply(self, a: Number, b: Number) -> Number:
        return self._binary("multiply", a, b, "*")

    def divide(self, a: Number, b: Number) -> Number:
        return self._binary("divide", a, b, "/")

    def negative(self, x: Number) -> Number:
        x = self.own(x)
        return self._operation(self._intervals.negative(x.value), f"-{_bracketed(x)}")

    def compare(self, a: Number, b: Number, relation: str) -> bool:
        return self._intervals.compare(self.own(a).value, self.own(b).value, relation)

    def exp2(self, x: Number) -> Number:
        return self._unary("exp2", x)

    def log2(self, x: Number) -> Number:
        return self._unary("log2", x)

    def exp(self, x: Number) -> Number:
        return self._unary("exp", x)

    def log(self, x: Number) -> Number:
        return self._unary("log", x)

    def sqrt(self, x: Number) -> Number:
        return self._unary("sqrt", x)

    def sin_turns(self, x: Number) -> Number:
        return self._unary("sin_turns", x)

    def cos_turns(self, x: Number) -> Number:
        return self._unary("cos_turns", x)

    def tanh(self, x: Number) -> Number:
        return self._unary("tanh", x)

    def absolute(self, x: Number) -> Number:
        return self._unary("absolute", x)

    def minimum(self, a: Number, b: Number) -> Number:
        return self._binary("minimum", a, b)

    def maximum(self, a: Number, b: Number) -> Number:
        return self._binary("maximum", a, b)

    def floor(self, x: Number) -> Number:
        return self._unary("floor", x)

    def whole(self, x: Number) -> int:
        return self._intervals.whole(self.own(x).value)


def _bracketed(step: Step) -> str:
    """A label as an operand: formulas such as 440 * 2**(-9/12) and fractions get parentheses."""
    return f"({step.label})" if set(step.label) & set("+-*/") else step.label
