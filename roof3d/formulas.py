"""Every formula once: words, text, symbols with units, source, and the function that computes it.

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

import numpy as np

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


def _formula(
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


def _sin(a: Any) -> Any:
    return np.sin(np.radians(a))


def _cos(a: Any) -> Any:
    return np.cos(np.radians(a))


def _tan(a: Any) -> Any:
    return np.tan(np.radians(a))


_MASS = ("mass of the worker with tools", "kg")
_G = ("standard gravity", "m/s2")
_FREE = ("free fall of the D-ring before the system pulls", "m")
_LENGTH = ("line length, anchor to D-ring", "m")
_TAUT = ("taut length, anchor to the place at the edge", "m")
_RING = ("height of the D-ring above the soles", "m")
_SURPLUS = ("surplus of line at the edge", "m")

# --------------------------------------------------------------------------------- line and edge


@_formula(
    "Surplus: the line left over when it lies taut to the edge; negative where it is too short.",
    "s = L - d",
    ("surplus of line at the edge", "m"),
    GEOMETRY,
    L=_LENGTH,
    d=_TAUT,
)
def surplus(L: Any, d: Any) -> Any:
    return L - d


@_formula(
    "Stretch needed: by how much the system must lengthen before the D-ring can pass the edge.",
    "e = max(0, d - L)",
    ("stretch needed", "m"),
    GEOMETRY,
    d=_TAUT,
    L=_LENGTH,
)
def stretch_needed(d: Any, L: Any) -> Any:
    return np.maximum(0.0, d - L)


@_formula(
    "Line held snug: the taut length to the D-ring at the place of work, and the slack left in it.",
    "L = min(r + q, Z)",
    ("line length while working there", "m"),
    GEOMETRY,
    r=("taut length, anchor to the D-ring at the place of work", "m"),
    q=("slack", "m"),
    Z=("end stop of the line", "m"),
)
def snug_length(r: Any, q: Any, Z: Any) -> Any:
    return np.minimum(r + q, Z)


@_formula(
    "Restraint: the longest line with which the nearest edge cannot be passed.",
    "L = (d - b - t) / (1 + e)",
    ("longest line for restraint", "m"),
    GEOMETRY,
    d=("least taut length, anchor to any fall edge", "m"),
    b=("setback from the edge", "m"),
    t=("stretch of absorber and harness", "m"),
    e=("strain of the line", ""),
)
def restraint_length(d: Any, b: Any, t: Any, e: Any) -> Any:
    return (d - b - t) / (1 + e)


@_formula(
    "Free fall with the line running over the edge: the D-ring drops from its height while standing "
    "to the surplus below the edge.",
    "f = max(0, h + s)",
    ("free fall", "m"),
    "geometry; term as in 29 CFR 1926.500(b), free fall distance",
    h=_RING,
    s=_SURPLUS,
)
def free_fall_over_edge(h: Any, s: Any) -> Any:
    return np.maximum(0.0, h + s)


@_formula(
    "Free fall without contact with an edge: line length and D-ring height less the anchor's height.",
    "f = max(0, L + h - a)",
    ("free fall", "m"),
    "geometry; term as in 29 CFR 1926.500(b), free fall distance",
    L=_LENGTH,
    h=_RING,
    a=("height of the anchor above the walking surface", "m"),
)
def free_fall_below_anchor(L: Any, h: Any, a: Any) -> Any:
    return np.maximum(0.0, L + h - a)


@_formula(
    "Height of the D-ring at rest: the line hangs from the edge, its surplus straight down.",
    "y = p - L",
    ("height of the D-ring at rest, without stretch", "m"),
    GEOMETRY,
    p=("fall potential at the resting place", "m"),
    L=_LENGTH,
)
def rest_height(p: Any, L: Any) -> Any:
    return p - L


@_formula(
    "Fall potential: height of the place on the edge and the line that lies up to it; the rope slides "
    "to where it is least.",
    "p = z + d",
    ("fall potential", "m"),
    MECHANICS,
    z=("height of the place on the edge", "m"),
    d=("length of the rope as it lies, anchor to that place", "m"),
)
def fall_potential(z: Any, d: Any) -> Any:
    return z + d


@_formula(
    "Swing drop: what the rope gives while it slides along the edge to its resting place.",
    "b = p_E - p_C",
    ("swing drop", "m"),
    MECHANICS,
    p_E=("fall potential where the worker goes over", "m"),
    p_C=("fall potential at the resting place", "m"),
)
def swing_drop(p_E: Any, p_C: Any) -> Any:
    return p_E - p_C


@_formula(
    "Swing drop on a straight level edge: the slanting line less the line square to the edge.",
    "b = hypot(a, c) - a",
    ("swing drop", "m"),
    GEOMETRY,
    a=("distance from the anchor square to the edge", "m"),
    c=("distance along the edge from there", "m"),
)
def swing_drop_level_edge(a: Any, c: Any) -> Any:
    return np.hypot(a, c) - a


@_formula(
    "Resting place on a rake: distance downslope from the foot of the perpendicular.",
    "c = a * tan(q)",
    ("distance down the rake", "m"),
    "mechanics: least value of the fall potential on a sloping straight edge",
    a=("distance from the anchor square to the rake", "m"),
    q=("slope of the rake", "deg"),
)
def rake_rest_offset(a: Any, q: Any) -> Any:
    return a * _tan(q)


@_formula(
    "Swing angle: between the line to where the worker goes over and the line to the resting place.",
    "q = atan2(c, a)",
    ("swing angle", "deg"),
    GEOMETRY,
    c=("distance along the edge", "m"),
    a=("distance from the anchor square to the edge", "m"),
)
def swing_angle(c: Any, a: Any) -> Any:
    return np.degrees(np.arctan2(c, a))


@_formula(
    "Drop of a swing about a fixed point.",
    "b = L * (1 - cos(q))",
    ("swing drop", "m"),
    MECHANICS,
    L=("length from the pivot to the D-ring", "m"),
    q=("swing angle from the vertical", "deg"),
)
def swing_drop_pivot(L: Any, q: Any) -> Any:
    return L * (1 - _cos(q))


@_formula(
    "Speed at the bottom of a swing, as after a free fall of the same height.",
    "v = sqrt(2 * g * b)",
    ("speed", "m/s"),
    MECHANICS,
    b=("swing drop", "m"),
    g=_G,
)
def swing_speed(b: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return np.sqrt(2 * g * b)


@_formula(
    "Pull in the line at the bottom of a swing about a fixed point, started at rest.",
    "T = m * g * (3 - 2 * cos(q))",
    ("pull in the line", "N"),
    MECHANICS,
    m=_MASS,
    q=("swing angle from the vertical", "deg"),
    g=_G,
)
def swing_pull(m: Any, q: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * (3 - 2 * _cos(q))


@_formula(
    "Half the length of a straight edge that a line can reach.",
    "w = sqrt(L^2 - a^2)",
    ("half length of edge reached", "m"),
    GEOMETRY,
    L=_LENGTH,
    a=("distance from the anchor square to the edge", "m"),
)
def edge_half_length(L: Any, a: Any) -> Any:
    return np.sqrt(L**2 - a**2)


# -------------------------------------------------------------------------------------- clearance


@_formula(
    "Elongation in arrest: absorber, line, and deflection of the anchor line.",
    "X = x + e * L + y",
    ("elongation in arrest", "m"),
    "sum of terms; line elongation is apart from deceleration distance by 29 CFR 1926.500(b)",
    x=("deceleration distance", "m"),
    e=("strain of the line in arrest", ""),
    L=_LENGTH,
    y=("deflection of the anchor line not already in the line's reach", "m"),
)
def elongation(x: Any, e: Any, L: Any, y: Any) -> Any:
    return x + e * L + y


@_formula(
    "Stretch that a fall from standing can draw out at an edge.",
    "t = x + k + e * L",
    ("stretch", "m"),
    "sum of terms",
    x=("absorber extension from a fall of the D-ring's own height", "m"),
    k=("harness stretch", "m"),
    e=("strain of the line in arrest", ""),
    L=_LENGTH,
)
def stretch_at_edge(x: Any, k: Any, e: Any, L: Any) -> Any:
    return x + k + e * L


@_formula(
    "Clearance required, from the edge down.",
    "C = h + s + X + k + M",
    ("clearance required below the edge", "m"),
    "sum of terms, measured from the edge; each term as the rule set fixes it",
    h=_RING,
    s=_SURPLUS,
    X=("elongation in arrest: absorber, line, anchor line", "m"),
    k=("harness stretch", "m"),
    M=("margin", "m"),
)
def clearance_required(h: Any, s: Any, X: Any, k: Any, M: Any) -> Any:
    return h + s + X + k + M


@_formula(
    "Clearance available: from the edge down to the highest thing a body could strike.",
    "A = z - u",
    ("clearance available below the edge", "m"),
    GEOMETRY,
    z=("height of the edge", "m"),
    u=("height of what lies below, over the swept width", "m"),
)
def clearance_available(z: Any, u: Any) -> Any:
    return z - u


@_formula(
    "Margin: clearance available less clearance required.",
    "n = A - C",
    ("margin", "m"),
    DEFINITION,
    A=("clearance available below the edge", "m"),
    C=("clearance required below the edge", "m"),
)
def margin(A: Any, C: Any) -> Any:
    return A - C


@_formula(
    "Pitch of a roof, rise over run.",
    "q = atan(x / 12)",
    ("pitch", "deg"),
    GEOMETRY,
    x=("rise in 12 of run", ""),
)
def pitch(x: Any) -> Any:
    return np.degrees(np.arctan(np.asarray(x) / 12))


# ------------------------------------------------------------------------------ arrest of a person


@_formula(
    "Weight.",
    "W = m * g",
    ("weight", "N"),
    DEFINITION,
    m=_MASS,
    g=_G,
)
def weight(m: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g


@_formula(
    "Speed at the end of the free fall.",
    "v = sqrt(2 * g * f)",
    ("speed", "m/s"),
    MECHANICS,
    f=_FREE,
    g=_G,
)
def impact_speed(f: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return np.sqrt(2 * g * f)


@_formula(
    "Energy that the system must take up until the worker is at rest.",
    "E = m * g * (f + X)",
    ("fall energy", "J"),
    "mechanics: energy balance",
    m=_MASS,
    f=_FREE,
    X=("travel from the end of the free fall to the stop", "m"),
    g=_G,
)
def fall_energy(m: Any, f: Any, X: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * (f + X)


@_formula(
    "Least average force of a class: what stops the test mass within the extension that is allowed.",
    "F = m * g * (f + x) / x",
    ("least average force while extending", "N"),
    "mechanics: energy balance at the limits of the class",
    m=("test mass of the class", "kg"),
    f=("free fall in the test", "m"),
    x=("greatest extension allowed", "m"),
    g=_G,
)
def least_average_force(m: Any, f: Any, x: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * (f + x) / x


@_formula(
    "Extension of an absorber that pulls with a constant force, nothing else stretching.",
    "x = m * g * f / (F - m * g)",
    ("absorber extension", "m"),
    "mechanics: energy balance",
    m=_MASS,
    f=_FREE,
    F=("average force of the absorber", "N"),
    g=_G,
)
def absorber_extension(m: Any, f: Any, F: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * f / (F - m * g)


@_formula(
    "Extension of an absorber in line with something elastic that is stretched by its force.",
    "x = (m * g * (f + e) - U) / (F - m * g)",
    ("absorber extension", "m"),
    "mechanics: energy balance",
    m=_MASS,
    f=_FREE,
    e=("elastic travel under the absorber's force: line and anchor line", "m"),
    U=("energy stored in that travel", "J"),
    F=("average force of the absorber", "N"),
    g=_G,
)
def absorber_extension_elastic(m: Any, f: Any, e: Any, U: Any, F: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return (m * g * (f + e) - U) / (F - m * g)


@_formula(
    "Energy left over when an absorber is drawn out whole and the worker is not yet at rest.",
    "E = m * g * (f + e + x) - U - F * x",
    ("energy left over", "J"),
    "mechanics: energy balance",
    m=_MASS,
    f=_FREE,
    e=("elastic travel under the absorber's force", "m"),
    x=("greatest extension of the absorber", "m"),
    U=("energy stored in the elastic travel", "J"),
    F=("average force of the absorber", "N"),
    g=_G,
)
def energy_left(m: Any, f: Any, e: Any, x: Any, U: Any, F: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * (f + e + x) - U - F * x


@_formula(
    "Elongation of an elastic line under a force.",
    "e = F * L / K",
    ("elongation of the line", "m"),
    "Hooke's law",
    F=("force in the line", "N"),
    L=("length of line that is stretched", "m"),
    K=("stiffness of the line, force per unit strain", "N"),
)
def line_elongation(F: Any, L: Any, K: Any) -> Any:
    return F * L / K


@_formula(
    "Peak force of a purely elastic line that stops a fall (fall factor f / L).",
    "F = W + sqrt(W^2 + 2 * W * K * f / L)",
    ("peak force", "N"),
    "mechanics: energy balance of the harmonic rope, as used with dynamic rope standards (UIAA 101, EN 892)",
    W=("weight", "N"),
    K=("stiffness of the line, force per unit strain", "N"),
    f=_FREE,
    L=("length of line that is stretched", "m"),
)
def elastic_peak_force(W: Any, K: Any, f: Any, L: Any) -> Any:
    return W + np.sqrt(W**2 + 2 * W * K * f / L)


@_formula(
    "Belt friction: pull on the far side of an edge.",
    "T = F * exp(-u * b)",
    ("pull on the anchor's side", "N"),
    "belt friction (Euler-Eytelwein), statics textbooks; b in radians",
    F=("pull on the worker's side", "N"),
    u=("coefficient of friction between line and edge", ""),
    b=("angle by which the line is turned, in radians", ""),
)
def pull_behind_edge(F: Any, u: Any, b: Any) -> Any:
    return F * np.exp(-u * b)


@_formula(
    "Length of line that still stretches when friction at the edge holds part of it back.",
    "l = p + q * exp(-u * b)",
    ("length of line that counts", "m"),
    "Hooke's law on both sides of an edge with belt friction; b in radians",
    p=("length below the edge", "m"),
    q=("length above the edge", "m"),
    u=("coefficient of friction between line and edge", ""),
    b=("angle by which the line is turned, in radians", ""),
)
def stretching_length(p: Any, q: Any, u: Any, b: Any) -> Any:
    return p + q * np.exp(-u * b)


# ------------------------------------------------------------------------------------ anchor lines


@_formula(
    "Pull in an anchor line under a load at the middle of a span.",
    "T = P / (2 * sin(q))",
    ("pull in the anchor line", "N"),
    "statics; 29 CFR 1926 subpart M appendix C, II(h)(6): about 2:1 at 15 degrees, 6:1 at 5 degrees",
    P=("load across the line", "N"),
    q=("sag angle on each side", "deg"),
)
def anchor_line_pull(P: Any, q: Any) -> Any:
    return P / (2 * _sin(q))


@_formula(
    "Sag angle of an anchor line from the load at mid-span and the pull.",
    "q = asin(P / (2 * T))",
    ("sag angle on each side", "deg"),
    STATICS,
    P=("load across the line", "N"),
    T=("pull in the anchor line", "N"),
)
def anchor_line_angle(P: Any, T: Any) -> Any:
    return np.degrees(np.arcsin(P / (2 * T)))


@_formula(
    "Pull along the chord of a span under a load anywhere in it.",
    "H = P * a * b / ((a + b) * y)",
    ("pull along the chord", "N"),
    "statics: cable theorem (pull times sag equals the beam moment of the same load)",
    P=("load across the line", "N"),
    a=("distance from one end of the span", "m"),
    b=("distance from its other end", "m"),
    y=("sag at the load", "m"),
)
def chord_pull(P: Any, a: Any, b: Any, y: Any) -> Any:
    return P * a * b / ((a + b) * y)


@_formula(
    "Sag of a line under its own weight (parabola).",
    "y = w * l^2 / (8 * H)",
    ("sag at mid-span", "m"),
    "statics: parabolic cable",
    w=("weight of the line per length", "N/m"),
    l=("span", "m"),
    H=("pull along the chord", "N"),
)
def own_weight_sag(w: Any, l: Any, H: Any) -> Any:  # noqa: E741
    return w * l**2 / (8 * H)


@_formula(
    "Length that a line stores in the sag under its own weight (parabola, first term).",
    "c = w^2 * l^3 / (24 * H^2)",
    ("length stored in the sag", "m"),
    "statics: series of the parabola's arc length",
    w=("weight of the line across the chord per length", "N/m"),
    l=("span", "m"),
    H=("pull along the chord", "N"),
)
def own_weight_length(w: Any, l: Any, H: Any) -> Any:  # noqa: E741
    return w**2 * l**3 / (24 * H**2)


@_formula(
    "Length of an anchor line without tension, from its length when it was pretensioned.",
    "R = S / (1 + T / K)",
    ("length without tension", "m"),
    "Hooke's law",
    S=("length under pretension", "m"),
    T=("pretension", "N"),
    K=("stiffness of the anchor line, force per unit strain", "N"),
)
def unstretched_length(S: Any, T: Any, K: Any) -> Any:
    return S / (1 + T / K)


@_formula(
    "Pull in an elastic anchor line from its length.",
    "T = K * max(0, S / R - 1)",
    ("pull in the anchor line", "N"),
    "Hooke's law",
    K=("stiffness of the anchor line, force per unit strain", "N"),
    S=("length under load", "m"),
    R=("length without tension", "m"),
)
def elastic_pull(K: Any, S: Any, R: Any) -> Any:
    return K * np.maximum(0.0, S / R - 1)


@_formula(
    "Deflection at mid-span of a span that holds a given length of line.",
    "y = sqrt(S^2 - l^2) / 2",
    ("deflection at mid-span", "m"),
    "geometry: small half-axis of the ellipse |q - P1| + |q - P2| = S",
    S=("length of line in the span under load", "m"),
    l=("distance between the ends of the span", "m"),
)
def traveller_deflection(S: Any, l: Any) -> Any:  # noqa: E741
    return np.sqrt(S**2 - l**2) / 2


@_formula(
    "Deflection of a slack-free elastic span for small sag.",
    "y = cbrt(P * l^3 / (8 * K))",
    ("deflection at mid-span", "m"),
    "statics: first term of the series in the sag angle, no pretension",
    P=("load across the line", "N"),
    l=("span", "m"),
    K=("stiffness of the anchor line, force per unit strain", "N"),
)
def small_sag(P: Any, l: Any, K: Any) -> Any:  # noqa: E741
    return np.cbrt(P * l**3 / (8 * K))


# ------------------------------------------------------------------------------------------- loads


@_formula(
    "Strength required of an anchor without a design by a qualified person.",
    "R = n * Q",
    ("strength required", "N"),
    "29 CFR 1926.502(d)(15) and the like: a fixed strength for each worker attached",
    n=("workers attached", ""),
    Q=("strength required for each worker", "N"),
)
def anchor_strength_static(n: Any, Q: Any) -> Any:
    return n * Q


@_formula(
    "Strength required of an anchor designed under a qualified person.",
    "R = j * F",
    ("strength required", "N"),
    "29 CFR 1926.502(d)(8), (d)(15): complete system with a safety factor",
    j=("factor on the greatest load", ""),
    F=("greatest load in arrest", "N"),
)
def anchor_strength_designed(j: Any, F: Any) -> Any:
    return j * F
