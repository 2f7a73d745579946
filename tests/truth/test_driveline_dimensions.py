"""Driveline formulas in other units of length, mass and time, and the worked numbers behind limits and ratios.

A formula that is right in dimensions gives the same physical answer in every system of units: each input is turned into
units that are L times longer, M times heavier and T times slower, and the answer must turn as its own dimension does.
"""

from collections.abc import Callable
from math import gamma, log, pi, radians, sqrt

import numpy as np
import pytest

from wearlab.driveline import Joint, Line, Tube, check_driveline, loads, read_references
from wearlab.driveline.kinematics import RAD_PER_S, angle_for_acceleration, peak_acceleration, secondary_couples
from wearlab.driveline.loads import (
    ROLLER_EXPONENT,
    damage_per_turn,
    equivalent_torque,
    life_ratio,
    sliding_work,
    spline_axial_force,
)

L, M, T = 3.7, 0.21, 1.9  # one old unit in new ones: of length, of mass, of time
TORQUE, FORCE, WORK = M * L**2 / T**2, M * L / T**2, M * L**2 / T**2
SPEED, ACCELERATION = 1 / T, 1 / T**2
ANGLE = radians(4.0)

FORMULAS: dict[str, tuple[Callable[..., float], tuple[tuple[float, float], ...], float]] = {
    "peak acceleration": (lambda speed: peak_acceleration(speed, ANGLE), ((1800.0, SPEED),), ACCELERATION),
    "angle for an acceleration": (angle_for_acceleration, ((1800.0, SPEED), (300.0, ACCELERATION)), 1.0),
    "driving couple": (lambda torque: secondary_couples(torque, 5.0)[0], ((8000.0, TORQUE),), TORQUE),
    "driven couple": (lambda torque: secondary_couples(torque, 5.0)[1], ((8000.0, TORQUE),), TORQUE),
    "equivalent torque": (
        lambda low, high: equivalent_torque([0.7, 0.3], [low, high]),
        ((900.0, TORQUE), (4000.0, TORQUE)),
        TORQUE,
    ),
    "damage of a turn": (lambda torque: float(damage_per_turn(torque, 5.0)), ((900.0, TORQUE),), TORQUE ** (10 / 3)),
    "life ratio": (lambda one, two: life_ratio((one, two), (4, 5)), ((900.0, TORQUE), (1400.0, TORQUE)), 1.0),
    "spline force": (lambda torque, radius: spline_axial_force(torque, radius, 0.1), ((5e3, TORQUE), (35.0, L)), FORCE),
    "sliding work": (lambda force, travel: sliding_work(force, travel, 3), ((14e3, FORCE), (20.0, L)), WORK),
}


@pytest.mark.parametrize("name", FORMULAS)
def test_a_formula_gives_the_same_answer_in_other_units(name):
    formula, inputs, dimension = FORMULAS[name]
    once = formula(*(value for value, _ in inputs))
    again = formula(*(value * unit for value, unit in inputs))
    assert again == pytest.approx(once * dimension, rel=1e-12)


def test_the_critical_speed_gives_the_same_answer_in_other_units(monkeypatch):
    # Stiffness is mass per length and time squared, density mass per length cubed: sqrt(E/rho)·D/L² is one over time.
    once = Tube(114.3, 3.4, 1800.0).critical_speed_rpm()
    monkeypatch.setattr(loads, "STEEL_MODULUS_PA", loads.STEEL_MODULUS_PA * M / (L * T**2))
    monkeypatch.setattr(loads, "STEEL_DENSITY", loads.STEEL_DENSITY * M / L**3)
    assert Tube(114.3 * L, 3.4 * L, 1800.0 * L).critical_speed_rpm() == pytest.approx(once / T, rel=1e-12)


def test_the_exponent_is_that_of_roller_contact():
    # ISO 281:2007: p = 10/3 for roller bearings, 3 for ball bearings.
    assert pytest.approx(10 / 3) == ROLLER_EXPONENT


def test_the_rule_behind_the_ratios_has_its_constant():
    # ISO 281: L10 = (C/P)^(10/3) million turns. A trunnion that rocks by ±angle makes angle/90 turns per shaft turn;
    # two trunnions share the torque, P = M/(2R). Hence hours = 10^6·90/60·2^(10/3) / (speed·angle) · (C·R/M)^(10/3),
    # worked by hand to 1.512e7. The ratios of two duties are those of this formula, whatever the constant.
    constant = 1e6 * 90 / 60 * 2 ** (10 / 3)
    assert constant == pytest.approx(1.512e7, rel=5e-4)

    def hours(torque: float, angle: float, speed: float) -> float:
        return constant / (speed * angle) * (1e5 * 0.08 / torque) ** (10 / 3)

    direct = hours(2000.0, 5.0, 1500.0) / hours(900.0, 3.5, 1800.0)
    assert life_ratio((2000.0, 900.0), (5.0, 3.5), (1500.0, 1800.0)) == pytest.approx(direct, rel=1e-12)


def test_life_goes_with_about_the_third_power_of_torque_and_with_one_over_speed():
    # Seherr-Thoss, Schmelz & Aucktor (2006), Universal Joints and Driveshafts, section 4.7: life goes with one over the
    # speed and about the third power of torque; 10/3 lies within a third of that power.
    assert life_ratio((1.0, 1.0), (3, 3), (2.0, 1.0)) == pytest.approx(0.5)
    assert 3 <= -log(life_ratio((2.0, 1.0), (3, 3))) / log(2) <= 3.5


@pytest.mark.parametrize(
    ("shape", "mean", "median"), [(1.5, 4.05, 3.5), (4 / 3, 5.0, None), (1.1, 7.5, None), (9 / 8, None, 5.3)]
)
def test_mean_and_median_life_against_the_life_of_ninety_in_a_hundred(shape, mean, median):
    # Weibull: mean/L10 = Γ(1 + 1/b)/(−ln 0.9)^(1/b), L50/L10 = (ln 2/−ln 0.9)^(1/b); worked by hand. Why life is given
    # as ratios: the same L10 stands for means that differ nearly twofold.
    tenth = (-log(0.9)) ** (1 / shape)
    if mean is not None:
        assert gamma(1 + 1 / shape) / tenth == pytest.approx(mean, abs=0.06)
    if median is not None:
        assert log(2) ** (1 / shape) / tenth == pytest.approx(median, abs=0.06)


@pytest.mark.parametrize(
    ("speed", "degrees"),
    [(5000, 3.2), (4500, 3.7), (4000, 4.2), (3500, 5.0), (3000, 5.8), (2500, 7.0), (2000, 8.7), (1500, 11.5)],
)
def test_the_limit_of_inertial_acceleration_is_that_of_a_chart_of_angles_by_speed(speed, degrees):
    # Highest joint angle by speed as charts have it (from memory): all 840 to 1,040 rad/s², so that 1,000 is it.
    limit = read_references()["inertial_acceleration"].value
    assert 0.84 * limit < peak_acceleration(speed, radians(degrees)) < 1.04 * limit


def test_at_highway_angles_no_roller_reaches_the_track_of_its_neighbour():
    # About 30 rollers stand 12 degrees apart (from memory). The set of rollers moves half as far as the trunnion:
    # rolling without slip between a fixed cup and a turning trunnion of nearly the same size, by geometry.
    pitch, trunnion, roller = 360 / 30, 14.0, 1.2
    swing = radians(3.0)
    moved = swing * trunnion / (2 * (trunnion + roller))  # center of a roller that rolls on both
    assert np.degrees(moved) == pytest.approx(1.5, abs=0.15)
    assert np.degrees(2 * moved) < pitch
    assert read_references()["least_angle"].value < 3.0


def test_the_residual_angle_of_two_joints_is_the_root_of_the_difference_of_squares():
    # SAE AE-7, Universal Joint and Driveshaft Design Manual (formula from memory), on a line in one plane and in phase.
    shafts = check_driveline(Line(1800, (Joint(5.0), Joint(3.5)))).shafts
    assert shafts["drive_residual_deg"].iloc[-1] == pytest.approx(sqrt(25 - 12.25), rel=1e-12)
    square = (1800 * 2 * pi / 60) ** 2
    assert square == pytest.approx((1800 * RAD_PER_S) ** 2)
    assert shafts["drive_acceleration"].iloc[-1] == pytest.approx(square * radians(sqrt(12.75)) ** 2, rel=5e-3)
