"""The registry of formulas: words, text, symbols with units, source, and the function that computes.

The text is written in a small arithmetic (``+ - * / ^``, the functions of ``FUNCTIONS``) that
:func:`evaluate` can work out, so that what people read and what the program computes are held
together by a test on random inputs. Angles are degrees outside and inside the functions; symbols
whose unit is ``deg`` are turned into radians only while a text is evaluated.

Functions take floats or numpy arrays and return the same.
"""

from __future__ import annotations

import ast
import inspect
import math
import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

STANDARD_GRAVITY = 9.80665  # m/s2, ISO 80000-3:2019 (conventional value, 3rd CGPM 1901)

MECHANICS = "mechanics, closed form"
STATICS = "statics, closed form"
GEOMETRY = "geometry, by definition"
DEFINITION = "definition"


@dataclass(frozen=True)
class Symbol:
    """One letter of a formula: its name, what it means, its SI unit ("" for a pure number)."""

    name: str
    meaning: str
    unit: str


@dataclass(frozen=True)
class Formula:
    """One formula. ``text`` reads ``result = expression`` in the arithmetic of :func:`evaluate`."""

    id: str
    words: str
    text: str
    result: Symbol
    symbols: tuple[Symbol, ...]
    source: str
    function: Callable[..., Any]

    @property
    def expression(self) -> str:
        """The right-hand side of the text."""
        return self.text.split("=", 1)[1].strip()

    def defaults(self) -> dict[str, float]:
        """Values that the function assumes when they are not given (standard gravity)."""
        parameters = inspect.signature(self.function).parameters.values()
        return {p.name: float(p.default) for p in parameters if p.default is not p.empty}


FORMULAS: dict[str, Formula] = {}

FUNCTIONS: dict[str, Callable[..., float]] = {
    "sqrt": math.sqrt,
    "cbrt": math.cbrt,
    "sin": math.sin,
    "cos": math.cos,
    "tan": math.tan,
    "asin": math.asin,
    "acos": math.acos,
    "atan": math.atan,
    "atan2": math.atan2,
    "exp": math.exp,
    "hypot": math.hypot,
    "max": max,
    "min": min,
}

_OPERATORS: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
}


def _work_out(node: ast.expr, values: Mapping[str, float]) -> float:
    match node:
        case ast.Constant(value=int() | float() as number):
            return float(number)
        case ast.Name(id=name) if name in values:
            return values[name]
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            return -_work_out(operand, values)
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _OPERATORS:
            return _OPERATORS[type(op)](_work_out(left, values), _work_out(right, values))
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in FUNCTIONS:
            return FUNCTIONS[name](*(_work_out(arg, values) for arg in args))
    raise ValueError(f"not in the arithmetic of formulas: {ast.unparse(node)}")


def evaluate(formula: Formula, values: Mapping[str, float]) -> float:
    """Work out the *text* of a formula, independently of its function.

    Raises ValueError where the text uses a symbol without a value or leaves the small arithmetic.
    """
    inside = {
        s.name: math.radians(values[s.name]) if s.unit == "deg" else float(values[s.name])
        for s in formula.symbols
        if s.name in values
    }
    tree = ast.parse(formula.expression.replace("^", "**"), mode="eval")
    worth = _work_out(tree.body, inside)
    return math.degrees(worth) if formula.result.unit == "deg" else worth


def formula(
    words: str, text: str, result: tuple[str, str], source: str, **symbols: tuple[str, str]
) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Register the decorated function; its name is the formula's id."""

    def register(function: Callable[..., Any]) -> Callable[..., Any]:
        name = function.__name__
        letters = tuple(Symbol(key, *about) for key, about in symbols.items())
        if tuple(inspect.signature(function).parameters) != tuple(symbols) or name in FORMULAS:
            raise ValueError(f"formula {name}: parameters and symbols differ, or the name is taken")
        outcome = Symbol(text.split("=", 1)[0].strip(), *result)
        FORMULAS[name] = Formula(name, words, text, outcome, letters, source, function)
        return function

    return register


# ------------------------------------------------------------------------------ printing a formula

_IMPERIAL = {
    "m": ("ft", 1 / 0.3048),
    "kg": ("lb", 1 / 0.45359237),
    "N": ("lbf", 1 / 4.4482216152605),
    "J": ("ft.lbf", 1 / 1.3558179483314),
    "m/s": ("ft/s", 1 / 0.3048),
    "m/s2": ("ft/s2", 1 / 0.3048),
    "N/m": ("lbf/ft", 0.3048 / 4.4482216152605),
}


def show_value(value: float, unit: str, units: str = "m") -> str:
    """A number with its unit, as a person reads it; ``units`` is ``m`` or ``ft``.

    Forces and energies of a thousand and more are shown in kN and kJ.
    """
    if units == "ft" and unit in _IMPERIAL:
        unit, factor = _IMPERIAL[unit]
        value = value * factor
    elif unit in ("N", "J") and abs(value) >= 1000:
        unit, value = "k" + unit, value / 1000
    if unit == "":
        return f"{value:.4g}"
    places = {"m": 3, "ft": 3, "kN": 2, "deg": 1, "m/s2": 5}.get(unit, 2)
    number = f"{value:.{places}f}"
    if float(number) == 0:
        number = number.lstrip("-")
    return f"{number} {unit}"


def explain(name: str, *, units: str = "m", **values: float) -> tuple[str, ...]:
    """Unfold one formula: words, text, every symbol with number and unit, the result, the source.

    Raises KeyError for an unknown id and ValueError for a symbol without a value.
    """
    formula = FORMULAS[name]
    given = formula.defaults() | {key: float(value) for key, value in values.items()}
    missing = [s.name for s in formula.symbols if s.name not in given]
    strange = sorted(set(given) - {s.name for s in formula.symbols})
    if missing or strange:
        raise ValueError(f"formula {name}: without a value {missing}, not a symbol {strange}")
    outcome = float(formula.function(**given))
    shown = [(s, show_value(given[s.name], s.unit, units)) for s in formula.symbols]
    width = max((len(f"{s.name} = {text}") for s, text in shown), default=0)
    lines = [formula.words, f"  {formula.text}"]
    lines += [f"    {f'{s.name} = {text}':<{width}}  {s.meaning}" for s, text in shown]
    lines.append(f"  {formula.result.name} = {show_value(outcome, formula.result.unit, units)}")
    lines.append(f"  source: {formula.source}")
    return tuple(lines)
