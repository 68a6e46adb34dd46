"""A hazard plan as one readable document: its shape, its gaps, YAML in and out, what changed.

A document is plain JSON of text, yes/no, lists and named entries; every number is text, so that it reaches
the digest and the judges exactly as it was written. A draft may lack anything (``gaps`` tells what); only its
shape is checked when it is saved (``errors``).
"""

from haccp.plan_documents.comparing import Difference, differences
from haccp.plan_documents.completeness import gaps
from haccp.plan_documents.decisions import OUTCOME_WORDS, QUESTIONS, Outcome, decided, outcome_of
from haccp.plan_documents.points import (
    ControlPointSpec,
    Schedule,
    control_point,
    control_points,
    review_term,
)
from haccp.plan_documents.reading import MOST_BYTES, Unreadable, from_yaml, to_yaml
from haccp.plan_documents.schema import SCHEMA, errors
from haccp.plan_documents.spots import CODEX_STEPS, Gap
from haccp.plan_documents.starters import starter_plan, starter_plans

__all__ = [
    "CODEX_STEPS",
    "MOST_BYTES",
    "OUTCOME_WORDS",
    "QUESTIONS",
    "SCHEMA",
    "ControlPointSpec",
    "Difference",
    "Gap",
    "Outcome",
    "Schedule",
    "Unreadable",
    "control_point",
    "control_points",
    "decided",
    "differences",
    "errors",
    "from_yaml",
    "gaps",
    "outcome_of",
    "review_term",
    "starter_plan",
    "starter_plans",
    "to_yaml",
]
