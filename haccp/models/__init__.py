from haccp.models.allergens import AllergenList, AllergenStatement
from haccp.models.changeovers import (
    Changeover,
    ChangeoverRelease,
    ChangeoverVerification,
    CleaningProcedure,
    CleaningProcedureVersion,
    Shown,
    ShownBy,
)
from haccp.models.checks import Check, Result
from haccp.models.compositions import Composition
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
from haccp.models.instruments import InstrumentState, InstrumentVerification, Method, Verified
from haccp.models.labels import (
    ContactAssessment,
    Label,
    LabelVersion,
    Moment,
    Packed,
    PackingCheck,
    StatedParts,
)
from haccp.models.plans import ControlKind, ControlPoint, Plan, PlanProduct, PlanVersion
from haccp.models.rules import UNCONFIRMED, Effect, Instrument, LocalRule, MeantFor
from haccp.models.series import Series, SeriesBlock, SeriesUse

__all__ = [
    "UNCONFIRMED",
    "AllergenList",
    "AllergenStatement",
    "Answer",
    "Changeover",
    "ChangeoverRelease",
    "ChangeoverVerification",
    "Check",
    "CleaningProcedure",
    "CleaningProcedureVersion",
    "Closing",
    "Composition",
    "ContactAssessment",
    "ControlKind",
    "ControlPoint",
    "Correction",
    "Deviation",
    "Disposition",
    "Effect",
    "Hold",
    "HoldSubject",
    "Instrument",
    "InstrumentState",
    "InstrumentVerification",
    "Label",
    "LabelVersion",
    "LocalRule",
    "MeantFor",
    "Method",
    "Moment",
    "Notice",
    "Packed",
    "PackingCheck",
    "Plan",
    "PlanProduct",
    "PlanVersion",
    "Question",
    "Release",
    "Result",
    "Series",
    "SeriesBlock",
    "SeriesUse",
    "Shown",
    "ShownBy",
    "StartPermission",
    "StatedParts",
    "Verified",
]
