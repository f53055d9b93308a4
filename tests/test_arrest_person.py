"""Arrest of one person: energy balance against closed forms, time integration and a physics engine."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roof3d.arrest.equipment import Connector, Range, equipment, resolve
from roof3d.arrest.integrate import integrate
from roof3d.arrest.person import Spring, anchor_pull, edge_stretch, greatest_fall, stop
from roof3d.arrest.swing import swing
from roof3d.errors import InputError
from roof3d.fall import Terms
from roof3d.records import Absorber, Line, Rope
from roof3d.rules import load_rules

FT, LBF, G = 0.3048, 4.4482216152605, 9.80665


@dataclass(frozen=True)
class Rules:
    """Round numbers in place of a rule set, so that each test shows what it rests on."""

    values: dict[str, float] = field(
        default_factory=lambda: {
            "harness_stretch": 0.3,
            "deceleration": 1.07,
            "line_elongation": 0.03,
            "arrest_force_limit": 8000.0,
        }
    )

    def value(self, name: str) -> float:
        return self.values[name]

    def get(self, name: str) -> float | None:
        return self.values.get(name)


RULES = Rules()
ABSORBER = Connector(
    kind="lanyard",
    absorbs=True,
    average_force=Range(4500.0, 4500.0),
    peak_force=6000.0,
    maximum_extension=1.75,
    activation_distance=0.0,
    stiffness=None,
    strain=0.0,
    harness_stretch=0.3,
    deceleration=1.07,
    extension_known=True,
)
ROPE = replace(ABSORBER, kind="rope", absorbs=False, stiffness=Range(24_080.9, 24_080.9), peak_force=math.inf)


@pytest.mark.parametrize(
    ("force", "fall", "extension"), [(4500.0, 4.0, 1.1146), (6000.0, 4.0, 0.7815), (4500.0, 2.0, 0.5573)]
)
def test_constant_force_and_no_stretch(force, fall, extension):
    # X = W h / (F - W), energy balance by hand, 100 kg.
    connector = replace(ABSORBER, average_force=Range(force, force))
    got = stop(100.0, fall, connector, 2.0, RULES)
    assert got.absorber_m == pytest.approx(extension, abs=1e-4)
    assert got.peak_force_n == 6000.0
    assert got.energy_j == pytest.approx(force * got.absorber_m)


@pytest.mark.parametrize(("factor", "force"), [(1.77, 9000), (1.0, 6981), (0.3, 4242)])
def test_harmonic_rope(factor, force):
    # F = W + sqrt(W^2 + 2 W EA f): 80 kg on a rope calibrated to 9 kN at fall factor 1.77.
    got = stop(80.0, factor * 5.0, ROPE, 5.0, RULES)
    assert got.peak_force_n == pytest.approx(force, abs=1.0)
    assert got.line_stretch_m == pytest.approx(got.peak_force_n * 5.0 / 24_080.9)


def test_load_put_on_without_a_fall_is_twice_the_weight():
    got = stop(100.0, 0.0, ROPE, 5.0, RULES)
    assert got.peak_force_n == pytest.approx(2 * 100 * G)


def test_class_limits_stop_the_test_mass_exactly_at_full_extension():
    # Least average force of a class by its own test: EN 355, 100 kg, 4 m, 1.75 m (standard's limits).
    least = 100 * G * (4.0 + 1.75) / 1.75
    connector = replace(ABSORBER, average_force=Range(least, least))
    got = stop(100.0, 4.0, connector, 2.0, RULES)
    assert got.absorber_m == pytest.approx(1.75, abs=1e-9)
    assert stop(101.0, 4.0, connector, 2.0, RULES).absorber_m is None


def test_absorber_that_runs_out_is_a_finding_with_the_energy_left():
    connector = replace(ABSORBER, average_force=Range(3000.0, 3000.0), maximum_extension=0.5)
    got = stop(100.0, 4.0, connector, 2.0, RULES)
    left = 100 * G * 4.5 - 3000 * 0.5
    assert not got.stopped
    assert got.absorber_m is None
    assert got.elongation_m is None
    assert got.peak_force_n is None
    assert got.energy_left_j == pytest.approx(left)
    (finding,) = [f for f in got.findings if f.code == "absorber-exhausted"]
    assert finding.severity == "danger"
    assert f"{left / 1000:.2f} kJ" in finding.text
    motion = integrate(100.0, 4.0, lambda x: 0.0, yield_force=3000.0, yield_at=0.0, maximum_extension=0.5)
    assert not motion.stopped
    assert motion.energy_left == pytest.approx(left, rel=1e-7)


def test_absorber_weaker_than_the_weight_never_stops_anybody():
    connector = replace(ABSORBER, average_force=Range(900.0, 900.0))
    got = stop(100.0, 1.0, connector, 2.0, RULES)
    assert not got.stopped
    assert got.energy_left_j > 0


@pytest.mark.parametrize("mass", [60.0, 100.0, 140.0])
@pytest.mark.parametrize("fall", [0.0, 0.6, 1.8, 4.0])
@pytest.mark.parametrize("stiffness", [8_000.0, 60_000.0])
def test_time_integration_agrees_with_the_energy_balance(mass, fall, stiffness):
    length, force = 5.0, 4500.0
    spring = Spring(length, stiffness)
    motion = integrate(
        mass, fall, lambda x: stiffness * x / length, yield_force=force, yield_at=spring.travel(force)
    )
    connector = replace(
        ABSORBER, stiffness=Range(stiffness, stiffness), maximum_extension=9.0, peak_force=force
    )
    got = stop(mass, fall, connector, length, RULES)
    balance_line = min(
        force, mass * G + math.sqrt((mass * G) ** 2 + 2 * mass * G * stiffness * fall / length)
    )
    assert motion.peak_force == pytest.approx(balance_line, rel=1e-6)
    assert got.peak_force_n == pytest.approx(balance_line, rel=1e-9)
    # the claim takes the worse of an elastic and a rigid line, never less than the motion
    assert got.absorber_m >= motion.extensions.max() - 1e-9
    assert got.elongation_m >= motion.lowest - fall - 1e-9
    w = mass * G
    e = spring.travel(force)
    exact = max(0.0, (w * (fall + e) - force * e / 2) / (force - w))
    assert motion.extensions.max() == pytest.approx(exact, abs=1e-6)


def test_energy_is_conserved_without_losses():
    mass, fall, length, stiffness = 90.0, 1.5, 6.0, 20_000.0
    motion = integrate(mass, fall, lambda x: stiffness * x / length, bounce=0.5)
    stretch = np.maximum(motion.depths - fall, 0.0)
    energy = mass * motion.speeds**2 / 2 - mass * G * motion.depths + stiffness * stretch**2 / (2 * length)
    assert np.max(np.abs(energy)) <= 1e-6 * mass * G * motion.lowest
    assert motion.speeds[-1] < 0 or motion.depths[-1] < motion.lowest


def test_physics_engine_agrees_with_the_elastic_stop():
    mujoco = pytest.importorskip("mujoco", reason="mujoco (dev extra) is not installed")
    mass, fall, stiffness, length = 100.0, 1.2, 30_000.0, 6.0
    k = stiffness / length
    model = mujoco.MjModel.from_xml_string(
        f"""<mujoco><option timestep="0.00005" gravity="0 0 -{G}" integrator="RK4"/>
        <worldbody><site name="anchor" pos="0 0 0"/>
        <body name="body" pos="0 0 {-length + fall}"><joint type="slide" axis="0 0 1"/>
        <geom type="sphere" size="0.1" mass="{mass}"/><site name="ring"/></body></worldbody>
        <tendon><spatial name="rope" springlength="0 {length}" stiffness="{k}">
        <site site="anchor"/><site site="ring"/></spatial></tendon></mujoco>"""
    )
    data = mujoco.MjData(model)
    lowest = 0.0
    while data.time < 1.5:
        mujoco.mj_step(model, data)
        lowest = min(lowest, float(data.qpos[0]))
    connector = replace(ROPE, stiffness=Range(stiffness, stiffness))
    got = stop(mass, fall, connector, length, RULES)
    assert -lowest - fall == pytest.approx(got.line_stretch_m, rel=1e-3)
    assert k * (-lowest - fall) == pytest.approx(got.peak_force_n, rel=1e-3)


# ------------------------------------------------------------------------------------- metamorphic

masses = st.floats(50, 140)
falls = st.floats(0.0, 4.0)


@settings(max_examples=120, deadline=None)
@given(masses, falls, st.floats(3000, 6000), st.floats(8_000, 60_000), st.floats(1, 20), st.floats(0, 0.5))
def test_more_mass_or_fall_never_helps(mass, fall, force, stiffness, length, more):
    connector = replace(
        ABSORBER,
        average_force=Range(force, force),
        stiffness=Range(stiffness, 1.5 * stiffness),
        peak_force=force / 0.875,
    )
    base = stop(mass, fall, connector, length, RULES)
    for worse in (
        stop(mass * (1 + more), fall, connector, length, RULES),
        stop(mass, fall + more, connector, length, RULES),
    ):
        if not base.stopped:
            assert not worse.stopped
            assert worse.energy_left_j >= base.energy_left_j - 1e-6
        elif worse.stopped:
            assert worse.elongation_m >= base.elongation_m - 1e-9
            assert worse.peak_force_n >= base.peak_force_n - 1e-6


@settings(max_examples=120, deadline=None)
@given(masses, falls, st.floats(3000, 6000), st.floats(1.0, 1.5), st.floats(8_000, 60_000))
def test_a_stiffer_absorber_or_line_never_lowers_the_force(mass, fall, force, factor, stiffness):
    connector = replace(
        ABSORBER,
        average_force=Range(force, force),
        peak_force=force / 0.875,
        maximum_extension=20.0,
        stiffness=Range(stiffness, stiffness),
    )
    base = stop(mass, fall, connector, 5.0, RULES)
    absorber = replace(
        connector, average_force=Range(force * factor, force * factor), peak_force=force * factor / 0.875
    )
    line = replace(connector, stiffness=Range(stiffness * factor, stiffness * factor))
    for stiffer in (absorber, line):
        assert stop(mass, fall, stiffer, 5.0, RULES).peak_force_n >= base.peak_force_n - 1e-6
    assert stop(mass, fall, absorber, 5.0, RULES).absorber_m <= base.absorber_m + 1e-9


@settings(max_examples=60, deadline=None)
@given(st.floats(0.0, 5.0), st.floats(0.0, 3.0))
def test_friction_at_an_edge_never_lowers_the_claimed_force(hanging, turned):
    rope = replace(ROPE, stiffness=Range(20_000.0, 20_000.0))
    over = stop(100.0, 1.5, rope, 5.0, RULES, hanging=hanging, turned=turned)
    free = stop(100.0, 1.5, rope, 5.0, RULES)
    assert over.peak_force_n >= free.peak_force_n - 1e-9
    assert over.line_stretch_m == pytest.approx(free.line_stretch_m)


def test_friction_leaves_less_line_to_stretch():
    # Hooke on both sides of an edge: hanging part whole, the rest lessened by exp(-mu beta).
    rope = replace(ROPE, stiffness=Range(20_000.0, 20_000.0))
    greatest = equipment()["friction"]["edge"]["greatest"]
    counts = 1.0 + 4.0 * math.exp(-greatest * math.pi / 2)
    w = 100 * G
    expected = w + math.sqrt(w**2 + 2 * w * 20_000.0 * 1.5 / counts)
    got = stop(100.0, 1.5, rope, 5.0, RULES, hanging=1.0, turned=math.pi / 2)
    assert got.peak_force_n == pytest.approx(expected)


def test_each_claim_takes_its_own_end_of_the_ropes_stiffness():
    rope = replace(ROPE, stiffness=Range(10_000.0, 40_000.0))
    got = stop(100.0, 1.5, rope, 5.0, RULES)
    stiff = stop(100.0, 1.5, replace(rope, stiffness=Range(40_000.0, 40_000.0)), 5.0, RULES)
    soft = stop(100.0, 1.5, replace(rope, stiffness=Range(10_000.0, 10_000.0)), 5.0, RULES)
    assert got.peak_force_n == pytest.approx(stiff.peak_force_n)
    assert got.line_stretch_m == pytest.approx(soft.line_stretch_m)


def test_absorber_extension_takes_the_worse_of_a_rigid_and_an_elastic_line():
    w = 100 * G
    for fall, stiffness, length in ((0.3, 8000.0, 10.0), (3.0, 60_000.0, 2.0)):
        connector = replace(ABSORBER, stiffness=Range(stiffness, stiffness), maximum_extension=9.0)
        force, e = 4500.0, 4500.0 * length / stiffness
        rigid = w * fall / (force - w)
        elastic = (w * (fall + e) - force * e / 2) / (force - w)
        got = stop(100.0, fall, connector, length, RULES)
        assert got.absorber_m == pytest.approx(max(rigid, elastic))
    # a heavy load on a weak absorber draws more out when the line lengthens as well
    weak = replace(
        ABSORBER,
        average_force=Range(1500.0, 1500.0),
        stiffness=Range(8000.0, 8000.0),
        maximum_extension=9.0,
        peak_force=2000.0,
    )
    e = 1500.0 * 10 / 8000.0
    got = stop(100.0, 0.3, weak, 10.0, RULES)
    assert got.absorber_m == pytest.approx((w * (0.3 + e) - 1500 * e / 2) / (1500 - w))
    assert got.absorber_m > w * 0.3 / (1500 - w)


def test_greatest_fall_that_an_absorber_is_good_for():
    # W (f + x) = F x at the whole extension
    expected = 1.75 * (4500 - 100 * G) / (100 * G)
    assert greatest_fall(100.0, ABSORBER, 2.0) == pytest.approx(expected)
    assert stop(100.0, expected * 0.999, ABSORBER, 2.0, RULES).stopped
    assert not stop(100.0, expected * 1.001, ABSORBER, 2.0, RULES).stopped
    assert greatest_fall(100.0, replace(ABSORBER, activation_distance=0.5), 2.0) == pytest.approx(
        expected - 0.5
    )
    assert greatest_fall(100.0, ROPE, 2.0) == math.inf
    of_class = replace(ABSORBER, extension_known=False, scope_mass=140.0, scope_fall=1.8)
    assert greatest_fall(100.0, of_class, 2.0) == pytest.approx(expected)
    weak = replace(of_class, average_force=Range(1200.0, 1200.0))
    assert greatest_fall(100.0, weak, 2.0) == pytest.approx(1.8)
    assert greatest_fall(141.0, weak, 2.0) < 0


@settings(max_examples=80, deadline=None)
@given(masses, st.floats(1500, 6000), st.floats(8_000, 60_000), st.floats(1, 20), st.floats(0.5, 2.0))
def test_greatest_fall_is_where_the_stop_fails(mass, force, stiffness, length, extension):
    connector = replace(
        ABSORBER,
        average_force=Range(force, force),
        peak_force=force,
        stiffness=Range(stiffness, stiffness),
        maximum_extension=extension,
    )
    series = Spring(3.0, 5_000.0)
    for beyond in (None, series):
        fall = greatest_fall(mass, connector, length, beyond)
        assert not stop(mass, max(fall, 0) + 0.01, connector, length, RULES, anchor_line=beyond).stopped
        if fall > 0.01:
            assert stop(mass, fall - 0.01, connector, length, RULES, anchor_line=beyond).stopped
    assert greatest_fall(mass, connector, length, series) <= greatest_fall(mass, connector, length) + 1e-9


def test_clearance_counts_the_way_that_a_longer_fall_asks():
    terms = Terms(
        attachment=1.5,
        kneeling=0.9,
        deceleration=1.07,
        harness=0.3,
        margin=0.6,
        elongation=0.0,
        weight=100 * G,
        least_force=2656.0,
        scope_fall=1.83,
    )
    assert terms.way(1.8) == 1.07
    assert terms.way(2.3) == pytest.approx(100 * G * 2.3 / (2656 - 100 * G))
    assert terms.below_edge(4.0, 2.3) - terms.below_edge(4.0, 1.8) == pytest.approx(terms.way(2.3) - 1.07)
    ways = replace(terms, least_force=900.0).way(np.linspace(0, 5, 51))
    assert np.all(np.isfinite(ways))
    assert np.all(np.diff(ways) >= 0)


def test_friction_range_on_the_anchor():
    # Capstan: at 90 degrees and friction 0.5 the anchor feels 1 / 2.193 of the pull (statics tables);
    # the claim keeps the whole pull.
    least, greatest = anchor_pull(6000.0, math.pi / 2)
    assert 6000.0 / least == pytest.approx(2.193, abs=1e-3)
    assert greatest == 6000.0


# --------------------------------------------------------------------------------- resolving a plan


def test_no_data_of_the_absorber_keeps_the_rule_sets_deceleration():
    rules = load_rules("us-construction")
    connector = resolve(Line(length=6.0), rules)
    got = stop(100.0, 1.0, connector, 6.0, rules)
    assert got.deceleration_m == pytest.approx(max(rules.value("deceleration"), got.absorber_m))
    assert got.line_stretch_m == pytest.approx(6.0 * rules.value("line_elongation"))
    assert got.peak_force_n == pytest.approx(1800 * LBF, rel=1e-6)
    assert connector.assumptions


def test_a_class_promises_its_extension_only_within_its_scope():
    rules = load_rules("us-construction")
    connector = resolve(Line(length=6.0), rules)
    heavy = rules.value("worker_mass_limit")
    inside = stop(heavy, rules.value("free_fall_limit"), connector, 6.0, rules)
    assert inside.stopped
    assert inside.deceleration_m == pytest.approx(connector.maximum_extension)
    assert any("has to be shown" in text for text in inside.assumptions)
    for mass, fall in ((heavy * 1.05, 1.8), (heavy, 4.0)):
        outside = stop(mass, fall, connector, 6.0, rules)
        assert not outside.stopped
        assert "absorber-exhausted" in {f.code for f in outside.findings}


def test_a_class_of_the_rule_set_may_be_named():
    rules = load_rules("us-construction")
    name = next(iter(set(rules.absorbers) - {rules.absorber}))
    connector = resolve(Line(absorber=Absorber(name=name)), rules)
    assert connector.maximum_extension == rules.absorbers[name].get("maximum_extension")
    assert connector.average_force.least == rules.absorbers[name].get("least_average_force")


def test_a_makers_absorber_is_used_as_given():
    absorber = Absorber(
        average_force=4500.0, least_force=4000.0, peak_force=5500.0, maximum_extension=1.2, source="sheet"
    )
    connector = resolve(Line(length=2.0, absorber=absorber, rope=Rope(elongation=0.0)), RULES)
    got = stop(100.0, 1.8, connector, 2.0, RULES)
    assert got.elongation_m == pytest.approx(100 * G * 1.8 / (4000 - 100 * G))
    assert got.peak_force_n == 5500.0


def test_average_force_alone_gets_a_peak_from_measured_ratio():
    connector = resolve(Line(absorber=Absorber(average_force=3500.0, maximum_extension=1.5)), RULES)
    assert connector.peak_force == pytest.approx(3500 / 0.875)


def test_the_force_on_a_label_is_no_least_force():
    # CSA Z259.16:21, preface: the average force on the label is not suitable for use in calculations of
    # clearance. How much less it may be is assumed, 0.8, until the maker's least force is in the plan.
    label = Absorber(average_force=4000.0, peak_force=5500.0, maximum_extension=1.2)
    known = replace(label, least_force=3900.0)
    line = Line(length=2.0, rope=Rope(elongation=0.0))
    cautious, told = (resolve(replace(line, absorber=a), RULES) for a in (label, known))
    assert cautious.average_force == Range(3200.0, 4000.0)
    assert told.average_force == Range(3900.0, 4000.0)
    assert any("least force" in text for text in cautious.assumptions)
    assert not any("least force" in text for text in told.assumptions)
    way = [stop(100.0, 1.8, connector, 2.0, RULES).absorber_m for connector in (told, cautious)]
    assert way == pytest.approx([100 * G * 1.8 / (f - 100 * G) for f in (3900.0, 3200.0)])
    assert greatest_fall(100.0, cautious, 2.0) < greatest_fall(100.0, told, 2.0)
    for least in (-1.0, 0.0, 4001.0, math.nan):
        with pytest.raises(InputError, match="least_force"):
            resolve(replace(line, absorber=replace(label, least_force=least)), RULES)


def test_no_absorber_and_no_stiffness_is_a_finding():
    connector = resolve(Line(absorber=Absorber(name="none")), RULES)
    got = stop(100.0, 1.0, connector, 5.0, RULES)
    assert got.peak_force_n is None
    assert "arrest-force-unknown" in {f.code for f in got.findings}


def test_retracting_device_adds_its_lock_on_travel():
    absorber = Absorber(
        average_force=4000.0,
        least_force=4000.0,
        peak_force=6000.0,
        maximum_extension=1.0,
        activation_distance=0.3,
    )
    connector = resolve(Line(kind="retracting", absorber=absorber, rope=Rope(elongation=0.0)), RULES)
    got = stop(100.0, 0.0, connector, 5.0, RULES)
    x = 100 * G * 0.3 / (4000 - 100 * G)
    assert got.elongation_m == pytest.approx(0.3 + x)


def test_force_over_the_limit_is_a_finding():
    rules = Rules(RULES.values | {"arrest_force_limit": 5000.0})
    got = stop(100.0, 1.0, ABSORBER, 2.0, rules)
    assert "arrest-force-over-limit" in {f.code for f in got.findings}


def test_edge_stretch_is_capped_and_counts_every_part():
    connector = replace(ABSORBER, strain=0.03, activation_distance=0.1)
    expected = 0.1 + 100 * G * 1.6 / (4500 - 100 * G) + 0.3 + 0.18
    assert edge_stretch(100.0, 1.5, connector, 6.0) == pytest.approx(expected)
    weak = replace(connector, average_force=Range(900.0, 900.0))
    assert edge_stretch(100.0, 1.5, weak, 6.0) == pytest.approx(0.1 + 1.75 + 0.3 + 0.18)
    unknown = replace(weak, extension_known=False, deceleration=2.0)
    assert edge_stretch(100.0, 1.5, unknown, 6.0) == pytest.approx(0.1 + 2.0 + 0.3 + 0.18)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (Line(kind="bungee"), "kind"),
        (Line(rope=Rope(stiffness=0.0)), "stiffness"),
        (Line(rope=Rope(stiffness=-5.0)), "stiffness"),
        (Line(rope=Rope(dynamic_stiffness=math.nan)), "stiffness"),
        (Line(rope=Rope(name="spider silk")), "spider silk"),
        (Line(rope=Rope(elongation=-0.1)), "elongation"),
        (Line(absorber=Absorber(average_force=0.0)), "average_force"),
        (Line(absorber=Absorber(average_force=5000.0, peak_force=4000.0)), "peak_force"),
        (Line(absorber=Absorber(maximum_extension=-1.0)), "maximum_extension"),
        (Line(absorber=Absorber(activation_distance=math.inf)), "activation_distance"),
    ],
)
def test_impossible_equipment_is_refused_in_one_line(line, message):
    with pytest.raises(InputError, match=message) as caught:
        resolve(line, RULES)
    assert "\n" not in str(caught.value)


def test_static_and_dynamic_stiffness_of_a_rope_are_both_ends_of_its_range():
    for rope in (
        Rope(stiffness=20_000.0, dynamic_stiffness=50_000.0),
        Rope(stiffness=50_000.0, dynamic_stiffness=20_000.0),
    ):
        assert resolve(Line(rope=rope), RULES).stiffness == Range(20_000.0, 50_000.0)
    assert resolve(Line(rope=Rope(dynamic_stiffness=9_000.0)), RULES).stiffness == Range(9_000.0, 9_000.0)


def test_a_misspelt_class_of_absorbers_is_refused_with_the_classes_that_there_are():
    rules = load_rules("eu-363")
    label = Absorber(name="a label", average_force=4000.0, maximum_extension=1.5)
    assert resolve(Line(absorber=label), rules).maximum_extension == 1.5
    assert resolve(Line(absorber=Absorber(name="en-355")), rules).maximum_extension == 1.75
    for absorber in (Absorber(name="en-335"), replace(label, maximum_extension=None)):
        with pytest.raises(InputError, match=r"absorber\.name") as caught:
            resolve(Line(absorber=absorber), rules)
        said = str(caught.value)
        assert repr(absorber.name) in said
        assert all(name in said for name in rules.absorbers)
        assert "\n" not in said


@pytest.mark.parametrize(("mass", "fall", "length"), [(0, 1, 1), (math.nan, 1, 1), (100, -1, 1), (100, 1, 0)])
def test_impossible_falls_are_refused(mass, fall, length):
    with pytest.raises(InputError):
        stop(mass, fall, ABSORBER, length, RULES)


def test_every_equipment_class_names_its_source():
    for group in equipment().values():
        for entry in group.values():
            assert {"text", "document", "year", "status", "unit"} <= set(entry)
            assert entry["status"] in {"read", "quoted", "secondary", "memory", "computed", "assumed"}
            if entry["status"] == "assumed":
                assert entry["note"]
            if "least" in entry:
                assert 0 <= entry["least"] <= entry["greatest"]


# ------------------------------------------------------------------------------------------- swing


@pytest.mark.parametrize(("angle", "drop", "speed"), [(15, 0.2044, 2.0), (30, 0.8038, 3.97), (60, 3.0, 7.67)])
def test_swing_about_a_fixed_point(angle, drop, speed):
    # L (1 - cos a) and sqrt(2 g h) for L = 6 m, mechanics texts, by hand calculator.
    got = swing(100.0, 6 * (1 - math.cos(math.radians(angle))))
    assert got.drop_m == pytest.approx(drop, abs=1e-4)
    assert got.speed_m_s == pytest.approx(speed, abs=0.01)
    assert got.energy_j == pytest.approx(100 * G * drop, rel=1e-3)
    assert swing(100.0, -1.0).speed_m_s == 0.0
    assert f"{drop:.3f} m" in got.words()
    assert f"{got.speed_m_s:.2f} m/s" in got.words()


def test_swing_speed_by_integration_of_the_pendulum():
    from scipy.integrate import solve_ivp

    length, start = 6.0, math.radians(40)
    bottom = lambda t, y: y[0]  # noqa: E731
    bottom.terminal = True
    run = solve_ivp(
        lambda t, y: [y[1], -G / length * math.sin(y[0])],
        (0, 10),
        [start, 0.0],
        events=bottom,
        rtol=1e-10,
        atol=1e-12,
    )
    speed = abs(run.y[1, -1]) * length
    assert swing(80.0, length * (1 - math.cos(start))).speed_m_s == pytest.approx(speed, rel=1e-6)
