"""Exact numbers from what people write: integers, decimals, and expressions such as "440 * 2**(-9/12)".

Expressions are read with `ast` and walked here; nothing is ever executed. Whatever is rational stays a
Fraction; only an irrational step (a fractional power, pi) uses the context.
"""

from __future__ import annotations

import ast
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from reference.errors import NotRational, NumberRefused

if TYPE_CHECKING:
    from reference.context import Context

LONGEST_EXPRESSION = 400
LARGEST_EXPONENT = 4096
_HELP = 'write for example 440, "0.1" or "440 * 2**(-9/12)"'


def exact_fraction(value: object) -> Fraction:
    """The exact rational meant by a value that is not text: int, Fraction, float or numpy scalar.

    A float means the shortest decimal that prints it: 0.1 is one tenth, not its binary neighbour.

    >>> exact_fraction(0.1)
    Fraction(1, 10)
    """
    if type(value) is Fraction:
        return value
    if isinstance(value, (bool, np.bool_)):
        raise NumberRefused(f"{value!r} is a truth value, not a number; {_HELP}")
    if isinstance(value, Fraction):
        return value
    if isinstance(value, (int, np.integer)):
        return Fraction(int(value))
    if isinstance(value, np.floating):
        return _finite_decimal(str(value))
    if isinstance(value, float):
        return _finite_decimal(repr(value))
    raise NumberRefused(f"{value!r} ({type(value).__name__}) has no exact value here; {_HELP}")


def _finite_decimal(text: str) -> Fraction:
    try:
        return Fraction(text)
    except ValueError:
        raise NumberRefused(f"{text} is not a finite number; a reference needs one; {_HELP}") from None


def evaluate(ctx: Context, text: str) -> Any:
    """The value of an exact expression: a Fraction where no step is irrational, else a number of ctx.

    >>> from reference.precision import RationalContext
    >>> evaluate(RationalContext(), "1200 * (3/2 - 0.5)")
    Fraction(1200, 1)
    """
    known = rational_value(text)
    return _value(ctx, _tree(text), text) if known is None else known


@lru_cache(maxsize=1024)
def rational_value(text: str) -> Fraction | None:
    """The value of an expression if no step of it is irrational."""
    from reference.rationals import RationalContext  # which needs this module first

    try:
        return Fraction(_value(RationalContext(), _tree(text), text))
    except NotRational:
        return None


@lru_cache(maxsize=1024)
def _tree(text: str) -> ast.expr:
    if len(text) > LONGEST_EXPRESSION:
        raise NumberRefused(f"expression of {len(text)} characters; at most {LONGEST_EXPRESSION} are read")
    try:
        return ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise NumberRefused(f"cannot read {text!r} as a number; {_HELP}") from None


def _value(ctx: Context, node: ast.expr, text: str) -> Any:
    match node:
        case ast.Constant():
            return _literal(node, text)
        case ast.Name(id="pi"):
            return ctx.pi
        case ast.UnaryOp(op=ast.USub()):
            return -_value(ctx, node.operand, text)
        case ast.UnaryOp(op=ast.UAdd()):
            return _value(ctx, node.operand, text)
        case ast.BinOp(op=ast.Pow()):
            return _power(ctx, _value(ctx, node.left, text), _value(ctx, node.right, text), text)
        case ast.BinOp(op=ast.Add() | ast.Sub() | ast.Mult() | ast.Div()):
            return _arithmetic(node, _value(ctx, node.left, text), _value(ctx, node.right, text), text)
    raise NumberRefused(f"{text!r} holds more than numbers, pi, + - * / ** and parentheses; {_HELP}")


def _literal(node: ast.Constant, text: str) -> Fraction:
    written = (ast.get_source_segment(text.strip(), node) or "").replace("_", "")
    if isinstance(node.value, bool) or not isinstance(node.value, (int, float)):
        raise NumberRefused(f"{text!r} holds {node.value!r}, which is not a real number; {_HELP}")
    if isinstance(node.value, int):
        return Fraction(node.value)
    if abs(int(written.lower().partition("e")[2] or 0)) > LARGEST_EXPONENT:
        raise NumberRefused(f"{text!r} holds a power of ten beyond {LARGEST_EXPONENT}; {_HELP}")
    return Fraction(written)


def _arithmetic(node: ast.BinOp, left: Any, right: Any, text: str) -> Any:
    match node.op:
        case ast.Add():
            return left + right
        case ast.Sub():
            return left - right
        case ast.Mult():
            return left * right
    if isinstance(right, Fraction) and right == 0:
        raise NumberRefused(f"{text!r} divides by zero; {_HELP}")
    return left / right


def _power(ctx: Context, base: Any, exponent: Any, text: str) -> Any:
    if isinstance(exponent, Fraction) and abs(exponent) > LARGEST_EXPONENT:
        raise NumberRefused(f"{text!r} holds an exponent beyond {LARGEST_EXPONENT}; {_HELP}")
    if isinstance(base, Fraction) and isinstance(exponent, Fraction):
        if exponent.denominator == 1:
            if base == 0 and exponent < 0:
                raise NumberRefused(f"{text!r} divides by zero; {_HELP}")
            return base**exponent.numerator
        if base <= 0:
            raise NumberRefused(f"{text!r} takes a fractional power of {base}, not positive; {_HELP}")
        if exponent.denominator == 2:
            return ctx.sqrt(ctx.number(base)) ** exponent.numerator
    # 2**x directly where the base is 2, so that 2**(-9/12) costs one rounding and no logarithm.
    if isinstance(base, Fraction) and base == 2:
        return ctx.exp2(ctx.number(exponent))
    return ctx.exp2(ctx.number(exponent) * ctx.log2(ctx.number(base)))
