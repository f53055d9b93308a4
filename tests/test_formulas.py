"""Formulas: what is printed is what is computed, and both agree with published numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from roof3d import formulas
from roof3d.formulas import FORMULAS, evaluate, explain, show_value

RANGES = {
    "m": (0.2, 12.0),
    "deg": (2.0, 80.0),
    "kg": (40.0, 160.0),
    "N": (500.0, 30_000.0),
    "J": (10.0, 5_000.0),
    "N/m": (0.5, 60.0),
    "m/s2": (9.7, 9.9),
    "m/s": (0.1, 12.0),
    "": (0.01, 3.0),
}

FT, LBF = 0.3048, 4.4482216152605


@pytest.mark.parametrize("formula", FORMULAS.values(), ids=FORMULAS)
def test_text_and_function_agree_on_random_inputs(formula):
    random = np.random.default_rng(20260101)
    compared = 0
    for _ in range(400):
        values = {s.name: float(random.uniform(*RANGES[s.unit])) for s in formula.symbols}
        try:
            text = evaluate(formula, values)
        except ValueError as error:
            assert "math" in str(error) or "domain" in str(error) or "expected" in str(error)
            continue
        assert float(formula.function(**values)) == pytest.approx(text, rel=1e-12, abs=1e-12)
        compared += 1
    assert compared >= 40


@pytest.mark.parametrize("formula", FORMULAS.values(), ids=FORMULAS)
def test_every_formula_is_complete(formula):
    assert formula.words.endswith(".")
    assert formula.source
    assert formula.result.meaning
    assert all(s.meaning and s.unit in RANGES for s in (*formula.symbols, formula.result))
    used = {s.name for s in formula.symbols}
    words = set("".join(c if c.isalnum() or c == "_" else " " for c in formula.expression).split())
    letters = {w for w in words if not w[0].isdigit()} - set(formulas.FUNCTIONS)
    assert letters == used


def test_the_arithmetic_refuses_anything_else():
    hostile = formulas.Formula(
        "x", "x.", "x = __import__('os').getcwd()", formulas.Symbol("x", "x", ""), (), "x", lambda: 0
    )
    with pytest.raises(ValueError, match="arithmetic"):
        evaluate(hostile, {})


def test_explain_shows_words_numbers_units_and_source():
    lines = explain("clearance_required", h=1.4, s=1.2, X=1.226, k=0.3, M=0.6)
    text = "\n".join(lines)
    assert "C = h + s + X + k + M" in text
    assert "s = 1.200 m" in text
    assert "C = 4.726 m" in text
    assert lines[-1].strip().startswith("source:")
    feet = "\n".join(explain("surplus", units="ft", L=16 * FT, d=15.75 * FT))
    assert "s = 0.250 ft" in feet


def test_explain_refuses_missing_and_unknown_symbols():
    with pytest.raises(ValueError, match="without a value"):
        explain("surplus", L=6.0)
    with pytest.raises(ValueError, match="not a symbol"):
        explain("surplus", L=6.0, d=5.0, z=1.0)
    with pytest.raises(KeyError):
        explain("no_such_formula")


def test_numbers_are_shown_without_a_negative_zero():
    assert show_value(-0.00001, "m") == "0.000 m"
    assert show_value(8006.8, "N") == "8.01 kN"
    assert show_value(8006.8, "N", "ft") == "1800.00 lbf"


def test_amplification_of_29_cfr_1926_subpart_m_appendix_c():
    # II(h)(6): about 2:1 at 15 degrees of sag, about 6:1 at 5 degrees ("about" read as 5 percent).
    assert formulas.anchor_line_pull(1.0, 15.0) == pytest.approx(2.0, rel=0.05)
    assert formulas.anchor_line_pull(1.0, 5.0) == pytest.approx(6.0, rel=0.05)
    # Exact values of 1 / (2 sin a), by hand calculator.
    assert formulas.anchor_line_pull(1.0, 15.0) == pytest.approx(1.9318516526)
    assert formulas.anchor_line_pull(1.0, 5.0) == pytest.approx(5.7368566228)


def test_load_cell_pairs_give_their_sag_angles():
    # Common practice, no published source: lbf on lifeline and anchor line at mid-span of 35 ft.
    for load, pull, angle in ((82, 184, 12.9), (161, 266, 17.6), (114, 217, 15.2), (138, 245, 16.4)):
        assert formulas.anchor_line_angle(load, pull) == pytest.approx(angle, abs=0.06)


@pytest.mark.parametrize(
    ("weight_lbf", "fall_ft", "force_lbf", "extension_ft"),
    [(282, 6, 900, 2.738), (310, 6, 900, 3.153), (220, 6, 900, 1.941), (310, 12, 1350, 3.577)],
)
def test_absorber_extension_by_energy_balance(weight_lbf, fall_ft, force_lbf, extension_ft):
    # X = W h / (F - W), the energy balance printed in fall protection texts; worked in pounds and feet.
    mass = weight_lbf * LBF / formulas.STANDARD_GRAVITY
    x = formulas.absorber_extension(mass, fall_ft * FT, force_lbf * LBF)
    assert x / FT == pytest.approx(extension_ft, abs=0.001)


def test_rope_force_in_the_limits():
    # Load put on at zero height: twice the weight (any mechanics text).
    assert formulas.elastic_peak_force(800.0, 20_000.0, 0.0, 5.0) == pytest.approx(1600.0)
    # Dynamic rope calibrated to 9 kN at fall factor 1.77 with 80 kg: 6,981 N at factor 1.
    w = 80 * formulas.STANDARD_GRAVITY
    assert formulas.elastic_peak_force(w, 24_080.9, 1.77, 1.0) == pytest.approx(9000, abs=1)
    assert formulas.elastic_peak_force(w, 24_080.9, 1.0, 1.0) == pytest.approx(6981, abs=1)


@pytest.mark.parametrize(
    ("friction", "degrees", "ratio"),
    [(0.1, 30, 1.054), (0.2, 90, 1.369), (0.3, 90, 1.602), (0.3, 180, 2.566), (0.5, 360, 23.141)],
)
def test_belt_friction_table(friction, degrees, ratio):
    # T2 = T1 exp(mu beta), statics textbooks; values by hand calculator.
    assert 1 / formulas.pull_behind_edge(1.0, friction, math.radians(degrees)) == pytest.approx(
        ratio, rel=5e-4
    )


def test_swing_and_edge_triangles():
    assert formulas.swing_drop_level_edge(4.0, 3.0) == pytest.approx(1.0)
    assert formulas.swing_drop_level_edge(5.0, 12.0) == pytest.approx(8.0)
    assert formulas.edge_half_length(5.0, 3.0) == pytest.approx(4.0)
    assert formulas.swing_drop_pivot(6.0, 60.0) == pytest.approx(3.0)
    assert formulas.swing_speed(3.0) == pytest.approx(7.67, abs=0.005)
    assert formulas.pitch(4) == pytest.approx(18.435, abs=0.001)


def test_pendulum_pull_at_the_bottom():
    # From level (90 degrees) the pull at the bottom is three times the weight (mechanics texts).
    assert formulas.swing_pull(100.0, 90.0) == pytest.approx(3 * 100 * formulas.STANDARD_GRAVITY)


def test_arrays_pass_through():
    s = formulas.surplus(6.0, np.array([5.0, 6.5]))
    assert s.tolist() == [1.0, -0.5]
    assert formulas.free_fall_over_edge(1.5, np.array([0.5, -2.0])).tolist() == [2.0, 0.0]
