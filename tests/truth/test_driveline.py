"""Driveline formulas against rigid-body geometry, numerical integration, and published rules.

Sources are named beside each check; worked numbers without one were computed by hand from the same formula and say so.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, linalg, optimize

from wearlab.driveline import Joint, Line, Tube, check_driveline, compare_severity
from wearlab.driveline.kinematics import (
    RAD_PER_S,
    angle_for_acceleration,
    output_angle,
    peak_acceleration,
    ratio_slope,
    residual_angle,
    secondary_couples,
    speed_ratio,
    turn_line,
)
from wearlab.driveline.loads import (
    STEEL_DENSITY,
    STEEL_MODULUS_PA,
    damage_per_turn,
    equivalent_torque,
    joint_cycles_per_mile,
    life_ratio,
    spline_axial_force,
)


def turned(axis: np.ndarray, angle: float) -> np.ndarray:
    """Return the rotation matrix about an axis (Rodrigues)."""
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def rigid_line(joints: tuple[Joint, ...], turn: float) -> list[float]:
    """Return how far each shaft has turned, from the geometry of crosses and yokes alone.

    Each cross has two arms at right angles: one held by the yoke in front, one by the yoke behind; each arm is at right
    angles to its own shaft. Angles are measured in each shaft's own frame, whose first axis lies in the joint plane.
    """
    shaft = np.array([1.0, 0.0, 0.0])
    in_plane = np.array([0.0, 1.0, 0.0])
    arm = turned(shaft, turn) @ in_plane
    angles = []
    for number, joint in enumerate(joints):
        if number:
            in_plane = turned(shaft, np.radians(joint.plane_deg)) @ in_plane
            arm = turned(shaft, np.radians(joint.phase_deg)) @ arm
        tilt = turned(np.cross(shaft, in_plane), np.radians(joint.angle_deg))
        shaft, in_plane = tilt @ shaft, tilt @ in_plane
        arm = np.cross(shaft, arm)
        arm /= np.linalg.norm(arm)
        angles.append(float(np.arctan2(arm @ np.cross(shaft, in_plane), arm @ in_plane)))
    return angles


LINES = [
    (Joint(5.0),),
    (Joint(22.0), Joint(9.0)),
    (Joint(5.0), Joint(3.5, plane_deg=30.0), Joint(2.0, plane_deg=-15.0, phase_deg=8.0)),
    (Joint(14.0), Joint(11.0, plane_deg=75.0, phase_deg=-20.0), Joint(6.0, phase_deg=90.0), Joint(3.0)),
]


@pytest.mark.parametrize("joints", LINES)
def test_the_motion_of_a_line_is_that_of_rigid_crosses_and_yokes(joints):
    # Each shaft's angle may differ from the geometry by a constant (where its zero lies), never by anything that turns.
    turns = np.linspace(0, 2 * np.pi, 97)
    out, _, _ = turn_line(joints, turns)
    rigid = np.array([rigid_line(joints, turn) for turn in turns]).T
    for ours, theirs in zip(out, rigid, strict=True):
        apart = np.exp(1j * (ours - theirs))
        assert np.abs(apart - apart[0]).max() < 1e-12


@pytest.mark.parametrize("joints", LINES)
def test_speed_ratio_and_slope_are_the_derivatives_of_the_rigid_motion(joints):
    step = 1e-4
    for turn in np.linspace(0.1, 3.0, 17):
        _, ratio, slope = turn_line(joints, np.array([turn]))
        around = np.unwrap(np.array([rigid_line(joints, turn + k * step)[-1] for k in (-1, 0, 1)]))
        assert ratio[-1, 0] == pytest.approx((around[2] - around[0]) / (2 * step), abs=1e-7)
        near = [turn_line(joints, np.array([turn + k * step]))[1][-1, 0] for k in (-1, 1)]
        assert slope[-1, 0] == pytest.approx((near[1] - near[0]) / (2 * step), abs=1e-7)


def test_the_speed_ratio_sums_to_one_turn_per_turn():
    for degrees in (1.0, 5.0, 30.0):
        angle = np.radians(degrees)
        total, _ = integrate.quad(lambda turn, a=angle: float(speed_ratio(turn, a)), 0, 2 * np.pi)
        assert total == pytest.approx(2 * np.pi, abs=1e-9)
        assert output_angle(2 * np.pi, np.radians(degrees)) == pytest.approx(2 * np.pi)


def test_the_peak_acceleration_is_the_largest_over_the_turn():
    for degrees in (0.5, 3.0, 7.0, 20.0, 44.0):
        angle = np.radians(degrees)
        best = optimize.minimize_scalar(
            lambda turn, a=angle: -abs(float(ratio_slope(turn, a))), bounds=(0, np.pi / 2), method="bounded",
            options={"xatol": 1e-12},
        )  # fmt: skip
        assert peak_acceleration(1000, angle) == pytest.approx(-best.fun * (1000 * RAD_PER_S) ** 2, rel=1e-9)


def test_worked_numbers_of_one_and_two_joints():
    # Worked by hand from speed²·angle²: 1,800 rpm at 5 and 3 degrees, 2,500 rpm at 3 degrees.
    assert peak_acceleration(1800, np.radians(5)) == pytest.approx(271, abs=0.5)
    assert peak_acceleration(1800, np.radians(3)) == pytest.approx(97.4, abs=0.5)
    assert peak_acceleration(2500, np.radians(3)) == pytest.approx(188, abs=0.5)
    low, high = np.cos(np.radians(5)), 1 / np.cos(np.radians(5))
    assert (round(low, 4), round(high, 4)) == (0.9962, 1.0038)
    # √(5.0² − 3.5²) = 3.57 degrees, 138 rad/s² at 1,800 rpm.
    shafts = check_driveline(Line(1800, (Joint(5.0), Joint(3.5)))).shafts
    assert shafts["drive_residual_deg"].iloc[-1] == pytest.approx(3.57, abs=0.005)
    assert shafts["drive_acceleration"].iloc[-1] == pytest.approx(138, abs=0.5)
    # The angle that gives 300 rad/s²: 6.5 degrees at 1,467 rpm, 4.8 at 1,973, 3.8 at 2,500.
    for speed, degrees in ((1467, 6.5), (1973, 4.8), (2500, 3.8)):
        assert angle_for_acceleration(speed, 300) == pytest.approx(degrees, abs=0.05)


def test_speed_squared_angle_squared_is_good_to_three_per_mille_up_to_seven_degrees():
    for degrees in (1.0, 3.0, 5.0, 7.0):
        plain = (1800 * RAD_PER_S) ** 2 * np.radians(degrees) ** 2
        assert peak_acceleration(1800, np.radians(degrees)) == pytest.approx(plain, rel=3e-3)


@pytest.mark.parametrize("joints", [line for line in LINES if max(joint.angle_deg for joint in line) < 8])
def test_the_residual_angle_gives_the_exact_acceleration_of_small_angles(joints):
    turns = np.linspace(0, np.pi, 2000)
    exact = np.abs(turn_line(joints, turns)[2][-1]).max()
    assert np.radians(residual_angle(joints)) ** 2 == pytest.approx(exact, rel=0.01)


def test_secondary_couples_are_those_of_a_cross_that_carries_moment_only_across_its_arms():
    # Statics of a rigid cross: the moment it passes is along the normal of its two arms; what is not along a shaft
    # bends it. Largest over the turn, by direct search.
    torque, degrees = 8000.0, 5.0
    driving, driven = [], []
    for turn in np.linspace(0, np.pi, 721):
        shaft, arm = np.array([1.0, 0, 0]), np.array([0, np.cos(turn), np.sin(turn)])
        behind = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees)), 0])
        other = np.cross(behind, arm)
        normal = np.cross(arm, other / np.linalg.norm(other))
        moment = torque / (normal @ shaft) * normal
        driving.append(np.linalg.norm(moment - (moment @ shaft) * shaft))
        driven.append(np.linalg.norm(moment - (moment @ behind) * behind))
    assert secondary_couples(torque, degrees) == pytest.approx((max(driving), max(driven)), rel=1e-9)
    assert secondary_couples(torque, degrees)[0] == pytest.approx(700, abs=0.5)  # 8,000 N·m at 5 degrees, by hand


def test_the_share_of_life_of_a_rocking_trunnion_is_its_angle_over_ninety_degrees():
    # A bearing turn is 360 degrees of travel; rocking to +θ, to −θ and back is 4θ, so θ/90 turns per shaft turn.
    for degrees in (3.0, 6.0, 10.0):
        travel, _ = integrate.quad(
            lambda t, d=degrees: abs(d * np.cos(t)), 0, 2 * np.pi, points=[np.pi / 2, 1.5 * np.pi]
        )
        assert travel / 360 == pytest.approx(degrees / 90, rel=1e-9)
    assert damage_per_turn(1.0, 6.0) / damage_per_turn(1.0, 3.0) == pytest.approx(2)


def test_life_falls_with_the_roller_contact_exponent_of_iso_281():
    # ISO 281: L10 = (C/P)^(10/3) for rollers. Ratios worked by hand.
    assert life_ratio((1.10, 1.0), (3, 3)) == pytest.approx(0.73, abs=0.005)
    assert life_ratio((1.25, 1.0), (3, 3)) == pytest.approx(0.475, abs=0.001)
    assert life_ratio((2.0, 1.0), (3, 3)) == pytest.approx(0.10, abs=0.001)
    assert life_ratio((1.0, 1.0), (6, 3)) == pytest.approx(0.5)
    assert life_ratio((1.0, 1.0), (1, 3)) == pytest.approx(1.0)  # the floor


def test_an_equivalent_torque_uses_the_life_that_a_stepwise_sum_uses():
    # Palmgren 1924, Miner 1945: turn by turn, each turn uses 1/N of the life at its own torque.
    rng = np.random.default_rng(4)
    torque = rng.gamma(2.0, 800.0, 20_000)
    used = (1 / (1e4 / torque) ** (10 / 3)).sum()
    steady = (1 / (1e4 / equivalent_torque(np.ones(len(torque)), torque)) ** (10 / 3)) * len(torque)
    assert steady == pytest.approx(used, rel=1e-10)


def test_worked_spectra_of_two_kinds_of_work():
    # An invented pair of spectra, worked by hand: 0.273 and 0.504 of rated torque; 38 % of the damage from 0.5 % of the
    # turns, 54 % from 3 %; 7.7 times per turn at one angle; with ratio 2.64 to 4.30 and 3 to 5 degrees 21 times a mile.

    line_haul = [(0.70, 0.15), (0.25, 0.25), (0.045, 0.5), (0.005, 1.0)]
    vocational = [(0.55, 0.15), (0.30, 0.35), (0.12, 0.70), (0.03, 1.2)]
    rows = [("line_haul", *row, 3.0, 1500.0, 2.64, 513.0) for row in line_haul]
    rows += [("vocational", *row, 5.0, 1500.0, 4.30, 513.0) for row in vocational]
    names = ["group", "share_of_turns", "torque_nm", "angle_deg", "speed_rpm", "axle_ratio", "tire_turns_per_mile"]
    severity = compare_severity(pd.DataFrame(rows, columns=names), reference="line_haul")
    groups = severity.groups.set_index("group")
    assert groups["equivalent_torque_nm"].to_numpy() == pytest.approx([0.273, 0.504], abs=0.0005)
    assert groups["torque_factor"]["vocational"] == pytest.approx(7.7, abs=0.05)
    assert groups["severity_per_mile"]["vocational"] == pytest.approx(21, abs=0.5)
    top = severity.bins.groupby("group")["share_of_damage"].last()
    assert top.to_numpy() == pytest.approx([0.38, 0.54], abs=0.005)


def test_joint_cycles_per_mile_of_four_axle_ratios():
    # 513 tyre turns a mile (typical 22.5 in drive tyre, from memory) times the ratio, by hand.
    cycles = [joint_cycles_per_mile(ratio, 513) for ratio in (2.64, 3.55, 4.30, 5.38)]
    assert cycles == pytest.approx([1354, 1821, 2206, 2760], abs=0.5)


def test_the_force_to_slide_a_spline_under_torque():
    # Coulomb friction at the pitch radius: 5,000 N·m at 35 mm; 8.6, 14.3 and 43 kN at 0.06, 0.10 and 0.30, by hand.
    forces = [spline_axial_force(5000, 35, friction) / 1000 for friction in (0.06, 0.10, 0.30)]
    assert forces == pytest.approx([8.6, 14.3, 42.9], abs=0.05)


def test_the_critical_speed_is_the_first_bending_frequency_of_the_tube():
    # Bernoulli beam on two pins, by finite differences of the fourth derivative.
    tube = Tube(114.3, 3.4, 1800.0)
    outer, inner, length, nodes = 0.1143, 0.1143 - 0.0068, 1.8, 400
    inertia = np.pi / 64 * (outer**4 - inner**4)
    area = np.pi / 4 * (outer**2 - inner**2)
    step = length / (nodes + 1)
    second = (
        np.diag(np.full(nodes, -2.0)) + np.diag(np.ones(nodes - 1), 1) + np.diag(np.ones(nodes - 1), -1)
    ) / step**2
    stiffness = STEEL_MODULUS_PA * inertia * second @ second  # pinned ends: no deflection, no bending moment
    frequency = np.sqrt(linalg.eigvalsh(stiffness / (STEEL_DENSITY * area), subset_by_index=[0, 0])[0])
    assert tube.critical_speed_rpm() == pytest.approx(frequency / RAD_PER_S, rel=1e-5)
    assert tube.critical_speed_rpm() == pytest.approx(5860, abs=2)  # 1.21e8·√(D² + d²)/L² in mm, by hand
    assert 0.70 * tube.critical_speed_rpm() == pytest.approx(4100, abs=3)


def test_units_do_not_change_an_answer():
    # Torque in any unit gives the same ratios; a tube twice as large in every length whirls at half the speed.
    assert life_ratio((1.3, 1.0), (4, 3)) == pytest.approx(life_ratio((1300.0, 1000.0), (4, 3)))
    assert equivalent_torque([0.4, 0.6], [1000.0, 3000.0]) == pytest.approx(
        1000 * equivalent_torque([0.4, 0.6], [1, 3])
    )
    assert Tube(200, 8, 3000).critical_speed_rpm() == pytest.approx(Tube(100, 4, 1500).critical_speed_rpm() / 2)
