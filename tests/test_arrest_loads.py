"""Loads against ratings: what is asked, what is short, what is unknown."""

from __future__ import annotations

import numpy as np
import pytest

from roof3d.arrest.loads import (
    Pull,
    Rating,
    check_anchor,
    check_line_point,
    check_line_strength,
    static_strength,
)
from roof3d.errors import InputError
from roof3d.rules import load_rules

LBF = 4.4482216152605
US = load_rules("us-construction")
DOWN = np.array([0.0, 0.0, -6000.0])
ANY = 180.0


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
    check = check_anchor("A1", DOWN, Rating(rating, within=ANY), US)
    assert check.verdict == verdict
    assert codes(check) == ({code} if code else set())
    assert check.designed_n == pytest.approx(12_000.0)
    assert check.load_kn == pytest.approx(6.0)


def turned(degrees):
    return 6000.0 * np.array([np.sin(np.radians(degrees)), 0, -np.cos(np.radians(degrees))])


def test_pull_off_the_rated_direction():
    rated = Rating(30e3, (0, 0, -1))
    check = check_anchor("A1", turned(20), rated, US)
    assert codes(check) == {"anchor-direction"}
    assert check.off_deg == pytest.approx(20.0)
    assert check.verdict == "unknown"  # what it holds in that direction nobody has said
    fine = check_anchor("A1", turned(14), Rating(30e3, (0, 0, -2.0)), US)
    assert codes(fine) == set()
    assert fine.off_deg == pytest.approx(14.0)
    assert fine.verdict == "ok"
    assert check_anchor("A1", turned(20), Rating(10e3, (0, 0, -1)), US).verdict == "short"
    with pytest.raises(InputError, match="direction"):
        check_anchor("A1", DOWN, Rating(30e3, (0, 0, 0)), US)


def test_how_far_off_is_the_makers_to_say():
    assert codes(check_anchor("A1", turned(40), Rating(30e3, (0, 0, -1), 45.0), US)) == set()
    assert codes(check_anchor("A1", turned(10), Rating(30e3, (0, 0, -1), 5.0), US)) == {"anchor-direction"}
    assert codes(check_anchor("A1", turned(1), Rating(30e3, (0, 0, -1), 0.0), US)) == {"anchor-direction"}
    assert codes(check_anchor("A1", DOWN, Rating(30e3, (0, 0, -1), 0.0), US)) == set()


@pytest.mark.parametrize("check", [check_anchor, check_line_point])
def test_the_rated_direction_has_to_hold_for_every_case_not_only_the_hardest(check):
    rated = Rating(30e3, (0, 0, -1))
    small = Pull(turned(60) / 10, "1 in span 2")
    found = check("H1, end 1", DOWN, rated, US, others=[small])
    assert codes(found) == {"anchor-direction"}
    assert found.off_deg == pytest.approx(60.0)
    assert "1 in span 2" in found.findings[0].text
    several = check("H1, end 1", turned(5), rated, US, others=[Pull(turned(q)) for q in (20, 60, 10)])
    assert several.off_deg == pytest.approx(60.0)
    lost = check("H1, end 1", DOWN, rated, US, others=[Pull(DOWN, "", known=False)])
    assert codes(lost) == {"anchor-direction"}
    assert "not known" in lost.findings[0].text


def test_a_rating_without_a_direction_says_what_is_taken():
    (note,) = check_anchor("A1", DOWN, Rating(30e3), US).findings
    assert (note.code, note.severity) == ("anchor-direction-unknown", "note")
    assert check_line_point("H1, end 1", DOWN, Rating(30e3, within=ANY), US).findings == ()
    # without a rating there is nothing to take for granted, and that is told already
    assert codes(check_line_point("H1, end 1", DOWN, Rating(), US)) == {"anchor-rating-unknown"}


def test_restraint_asks_for_its_own_strength():
    # OSHA letters of 2 November 1995: 3,000 lbf, or twice the greatest force.
    check = check_anchor("A1", np.array([1000.0, 0, 0]), Rating(10e3), US, restraint=True)
    assert check.static_n == pytest.approx(3000 * LBF, rel=1e-6)
    assert check.verdict == "design"


def test_anchor_lines_are_always_designed():
    # 1926.502(d)(8): complete system with a safety factor of at least two.
    assert check_line_point("H1 end 1", DOWN, Rating(11e3), US).verdict == "short"
    assert check_line_point("H1 end 1", DOWN, Rating(12e3), US).verdict == "ok"
    assert check_line_point("H1 end 1", DOWN, Rating(None), US).verdict == "unknown"
    assert [f.code for f in check_line_strength("H1", 10e3, 19e3, US)] == ["anchor-line-strength-short"]
    assert [f.code for f in check_line_strength("H1", 10e3, None, US)] == ["anchor-line-strength-unknown"]
    assert check_line_strength("H1", 10e3, 20e3, US) == ()


@pytest.mark.parametrize("rating", [0.0, -5.0, float("nan"), float("inf")])
def test_impossible_ratings_are_refused(rating):
    with pytest.raises(InputError, match="rating"):
        check_anchor("A1", DOWN, Rating(rating), US)
