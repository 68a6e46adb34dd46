from haccp.models.checks import Check, Result
from haccp.models.deviations import (
    Answer,
    Closing,
    Correction,
    Deviation,
    Disposition,
    Hold,
    HoldSubject,
    Notice,
    Question,
)
from haccp.models.gates import Release, StartPermission
from haccp.models.plans import ControlKind, ControlPoint, Plan, PlanProduct, PlanVersion
from haccp.models.rules import Instrument, LocalRule

__all__ = [
    "Answer",
    "Check",
    "Closing",
    "ControlKind",
    "ControlPoint",
    "Correction",
    "Deviation",
    "Disposition",
    "Hold",
    "HoldSubject",
    "Instrument",
    "LocalRule",
    "Notice",
    "Plan",
    "PlanProduct",
    "PlanVersion",
    "Question",
    "Release",
    "Result",
    "StartPermission",
]
