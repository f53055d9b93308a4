"""Loads against ratings: what is asked, what is short, what is unknown."""

from __future__ import annotations

import numpy as np
import pytest

from roof3d.arrest.loads import check_anchor, check_line_point, check_line_strength, static_strength
from roof3d.errors import InputError
from roof3d.rules import load_rules

LBF = 4.4482216152605
US = load_rules("us-construction")
DOWN = np.array([0.0, 0.0, -6000.0])


def codes(check):
    return {finding.code for finding in check.findings}


def test_static_strength_of_29_cfr_1926_502_d_15():
    # 5,000 lbf for each worker attached.
    assert static_strength(US, 1) == pytest.approx(5000 * LBF, rel=1e-6)
    assert static_strength(US, 3) == pytest.approx(15_000 * LBF, rel=1e-6)


def test_two_workers_where_a_rule_set_says_so():
    class Rules:
        def __init__(self, **values):
            self.values = values

        def value(self, name):
            return self.values[name]

        def get(self, name):
            return self.values.get(name)

    # Queensland WHS Regulation 2011 s 306I(2): 15 kN for one person, 21 kN for two.
    assert static_strength(Rules(anchor_strength=15e3, anchor_strength_two=21e3), 2) == 21e3
    assert static_strength(Rules(anchor_strength=15e3, anchor_strength_two=21e3), 3) == 45e3
    # CEN/TS 16415: one kilonewton for each further user.
    assert static_strength(Rules(anchor_strength=12e3, anchor_added_strength=1e3), 4) == 15e3


@pytest.mark.parametrize(
    ("rating", "verdict", "code"),
    [
        (None, "unknown", "anchor-rating-unknown"),
        (11_999.0, "short", "anchor-rating-short"),
        (12_000.0, "design", "anchor-needs-design"),
        (22_000.0, "design", "anchor-needs-design"),
        (22_300.0, "ok", None),
    ],
)
def test_verdicts_at_twice_the_arrest_force(rating, verdict, code):
    # Safety factor of two on the arrest force under a qualified person, else 5,000 lbf.
    check = check_anchor("A1", DOWN, rating, US)
    assert check.verdict == verdict
    assert codes(check) == ({code} if code else set())
    assert check.designed_n == pytest.approx(12_000.0)
    assert check.load_kn == pytest.approx(6.0)


def test_pull_off_the_rated_direction():
    turned = 6000.0 * np.array([np.sin(np.radians(20)), 0, -np.cos(np.radians(20))])
    assert codes(check_anchor("A1", turned, 30e3, US, direction=(0, 0, -1))) == {"anchor-direction"}
    assert codes(check_anchor("A1", DOWN, 30e3, US, direction=(0, 0, -2.0))) == set()
    with pytest.raises(InputError, match="direction"):
        check_anchor("A1", DOWN, 30e3, US, direction=(0, 0, 0))


def test_restraint_asks_for_its_own_strength():
    # OSHA letters of 2 November 1995: 3,000 lbf, or twice the greatest force.
    check = check_anchor("A1", np.array([1000.0, 0, 0]), 10e3, US, restraint=True)
    assert check.static_n == pytest.approx(3000 * LBF, rel=1e-6)
    assert check.verdict == "design"


def test_anchor_lines_are_always_designed():
    # 1926.502(d)(8): complete system with a safety factor of at least two.
    assert check_line_point("H1 end 1", DOWN, 11e3, US).verdict == "short"
    assert check_line_point("H1 end 1", DOWN, 12e3, US).verdict == "ok"
    assert check_line_point("H1 end 1", DOWN, None, US).verdict == "unknown"
    assert [f.code for f in check_line_strength("H1", 10e3, 19e3, US)] == ["anchor-line-strength-short"]
    assert [f.code for f in check_line_strength("H1", 10e3, None, US)] == ["anchor-line-strength-unknown"]
    assert check_line_strength("H1", 10e3, 20e3, US) == ()


@pytest.mark.parametrize("rating", [0.0, -5.0, float("nan"), float("inf")])
def test_impossible_ratings_are_refused(rating):
    with pytest.raises(InputError, match="rating"):
        check_anchor("A1", DOWN, rating, US)
