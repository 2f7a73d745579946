"""Driveline load: what angle, torque, speed and ratio do to joints, splines and tubes, apart from grease."""

from wearlab.driveline.check import DrivelineCheck, Line, Slip, check_driveline
from wearlab.driveline.fleet_layout import LayoutCheck, check_layouts, read_angles, worst_line
from wearlab.driveline.kinematics import Joint
from wearlab.driveline.line_text import read_line
from wearlab.driveline.loads import Tube
from wearlab.driveline.references import Reference, References, edit_references, read_references
from wearlab.driveline.spectra import Severity, compare_severity, read_spectra

__all__ = [
    "DrivelineCheck",
    "Joint",
    "LayoutCheck",
    "Line",
    "Reference",
    "References",
    "Severity",
    "Slip",
    "Tube",
    "check_driveline",
    "check_layouts",
    "compare_severity",
    "edit_references",
    "read_angles",
    "read_line",
    "read_references",
    "read_spectra",
    "worst_line",
]
