"""Which record answers which requirement of law and code, and what is not answered: one file, read and checked. Pure.

It does not say that a house complies. Requirements are told in our own words; everything defers to the authority.
"""

from reports.requirements.entries import Answer, Requirement, Requirements, State
from reports.requirements.reading import UnreadableRequirements, from_yaml, shipped
from reports.requirements.telling import HEAD, as_data, text

__all__ = [
    "HEAD",
    "Answer",
    "Requirement",
    "Requirements",
    "State",
    "UnreadableRequirements",
    "as_data",
    "from_yaml",
    "shipped",
    "text",
]
