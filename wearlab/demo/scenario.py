"""The invented scenario behind the demo fleet: every planted value in one place. None of it comes from a real fleet."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

CLASSES = ("line_haul", "regional", "vocational")
COMPONENTS = ("joint", "slip_spline", "boot", "center_bearing")
SHOPS = ("north_yard", "harbor", "quarry", "river_depot", "east_terminal")
REGIONS = ("coast", "hills", "plains")

STREAM = 7  # goes into every draw beside the seed
RECORDS_FROM = np.datetime64("2020-07-01")
AS_OF = np.datetime64("2026-06-30")

# Shape, characteristic life (miles, at the reference interval) and effect of the practised interval on the log hazard.
SHAPE = {"joint": 2.2, "slip_spline": 2.5, "boot": 1.4, "center_bearing": 1.8}
ETA: Mapping[str, tuple[float, float, float]] = {
    "joint": (700_000.0, 370_000.0, 170_000.0),
    "slip_spline": (620_000.0, 340_000.0, 150_000.0),
    "boot": (650_000.0, 340_000.0, 150_000.0),
    "center_bearing": (780_000.0, 460_000.0, 220_000.0),
}
THETA: Mapping[str, tuple[float, float, float]] = {
    "joint": (0.1, 0.4, 1.0),
    "slip_spline": (0.1, 0.4, 1.0),
    "boot": (0.0, 0.0, 0.0),
    "center_bearing": (0.0, 0.0, 0.0),
}
REFERENCE_INTERVAL = (15_000.0, 12_000.0, 10_000.0)
FRAILTY_VARIANCE = 0.25
ROAD_SHARE = {"joint": 0.7, "slip_spline": 0.7, "boot": 0.4, "center_bearing": 0.75}
UNGREASED_LIFE = 1.25  # extended-interval and sealed joints: longer life, no effect of the practised interval

# Work: share of trucks, miles a year, mean road speed (engine hours), miles owned, by class.
CLASS_SHARE = (0.38, 0.24, 0.38)
ANNUAL_MILES = (104_000.0, 58_000.0, 27_000.0)
SPEED_MPH = (48.0, 34.0, 17.0)
OWNERSHIP_MILES = (600_000.0, 450_000.0, 250_000.0)

# Practice: the company's plan, each shop's way with it, each truck's own habit.
PLAN_FROM = np.datetime64("2019-01-01")
PLAN_CHANGE = (np.datetime64("2023-07-01"), np.datetime64("2023-01-01"), None)
PLAN_BEFORE = (15_000.0, 12_000.0, 15_000.0)
PLAN_AFTER = (18_000.0, 10_000.0, 15_000.0)
TRIAL_FROM = np.datetime64("2021-09-01")
TRIAL_INTERVAL = 5_000.0
TRIAL_SHARE = 0.25  # of the vocational trucks of two shops
SHOP_FACTOR = (1.00, 0.65, 1.45, 1.20, 0.80)
SHOP_WEIGHT = ((0.30, 0.25, 0.05, 0.20, 0.20), (0.25, 0.25, 0.10, 0.20, 0.20), (0.20, 0.12, 0.30, 0.20, 0.18))
HABIT_SD = (0.30, 0.30, 0.38)
GAP_SHAPE = 60.0  # gamma shape of one gap around the practised mean: coefficient of variation 0.13

# Planted findings.
BAD_LOT = "boot-2022-d"
BAD_LOT_WINDOW = (np.datetime64("2022-03-01"), np.datetime64("2022-06-30"))
BAD_LOT_FACTOR = 6.0
BAD_LOT_SHARE = 0.8  # of the boots fitted in the window
CAMPAIGN_SHARE = 0.30  # of the trucks had their boots renewed in the window, as a campaign
LEAK_SHOP = "north_yard"
LEAK_FROM = np.datetime64("2023-01-01")
LEAK_BOOT_FACTOR = 3.5
LEAK_SPLINE_FACTOR = 4.0
ABNORMAL_TRUCKS_PER_300 = 6
ABNORMAL_FACTOR = 6.0

# What the shops do besides.
MATE_SHARE = 0.25  # a failed joint takes the other joint of its shaft with it
PLANNED_SHARE = 0.25  # of the trucks have their joints replaced at an age
PLANNED_AGE = (450_000.0, 240_000.0, 120_000.0)

# Costs, in an invented fleet's dollars.
REGREASE_STOP = 140.0
COST_PLANNED = {"joint": 380.0, "slip_spline": 1500.0, "boot": 160.0, "center_bearing": 420.0}
COST_FAILURE = {"joint": 2400.0, "slip_spline": 4200.0, "boot": 300.0, "center_bearing": 1600.0}
COST_FAILURE_VOCATIONAL = {"joint": 1800.0}
PUBLISHED_INTERVAL = (25_000.0, 15_000.0, 15_000.0)
INTERVAL_GRID = 500.0
JOINT_PLAY_LIMIT = 0.006
BACKLASH_LIMIT = 0.007

HIGHEST_MPH = 65.0
TUBE_MM = (101.6, 3.2)  # outer diameter, wall

# Share of shaft turns, torque (N·m), joint angle (degrees), shaft speed (turns a minute), by class.
SPECTRA: Mapping[str, tuple[tuple[float, float, float, float], ...]] = {
    "line_haul": ((0.62, 700, 3.0, 1350), (0.30, 1500, 3.0, 1300), (0.07, 3200, 3.2, 1000), (0.01, 6500, 3.5, 600)),
    "regional": ((0.55, 700, 3.2, 1400), (0.326, 1600, 3.2, 1250), (0.11, 3400, 3.5, 900), (0.014, 6500, 3.8, 500)),
    "vocational": ((0.52, 700, 3.5, 1200), (0.34, 1700, 3.6, 900), (0.12, 3600, 4.0, 600), (0.02, 6500, 4.5, 350)),
}

MODES: Mapping[str, tuple[tuple[str, float], ...]] = {
    "joint": (("burned_trunnion", 0.35), ("brinelling", 0.3), ("spalling", 0.2), ("seal_contamination", 0.15)),
    "slip_spline": (("backlash", 0.45), ("galling", 0.3), ("corrosion", 0.25)),
    "boot": (("tear", 0.6), ("clamp_slip", 0.25), ("ozone_crack", 0.15)),
    "center_bearing": (("cushion_tear", 0.55), ("bearing_wear", 0.45)),
}


@dataclass(frozen=True, slots=True)
class Place:
    """One place on a truck where a part sits, and the other place of its pair (same shaft, same spline), if any."""

    position: str
    component: str
    shaft: str
    mate: str | None


def _shaft(shaft: str, *, joints: int, slip: bool, bearing: bool) -> list[Place]:
    places = [
        Place(f"{shaft}.joint.{number}", "joint", shaft, f"{shaft}.joint.{3 - number}" if joints == 2 else None)
        for number in range(1, joints + 1)
    ]
    if slip:
        places.append(Place(f"{shaft}.slip_spline", "slip_spline", shaft, f"{shaft}.boot"))
        places.append(Place(f"{shaft}.boot", "boot", shaft, f"{shaft}.slip_spline"))
    if bearing:
        places.append(Place(f"{shaft}.center_bearing", "center_bearing", shaft, None))
    return places


def _layout(*couplings: str) -> tuple[Place, ...]:
    line = [place for name in couplings for place in _shaft(name, joints=1, slip=False, bearing=True)]
    line += _shaft("main", joints=2, slip=True, bearing=False)
    return tuple(line + _shaft("interaxle", joints=2, slip=True, bearing=False))


# Common practice, no source: tractor short, tractor long, very long vocational.
LAYOUTS: tuple[tuple[Place, ...], ...] = (_layout(), _layout("coupling"), _layout("coupling_1", "coupling_2"))
LAYOUT_WEIGHT = ((0.5, 0.5, 0.0), (0.45, 0.55, 0.0), (0.1, 0.6, 0.3))
