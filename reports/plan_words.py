"""The fixed words of a hazard plan, for its document: kinds, schedules, provenance, outcomes. Each in the active language."""

from collections.abc import Iterator, Mapping
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from haccp.plan_documents import OUTCOME_WORDS, QUESTIONS, Outcome

HAZARD_KINDS = {
    "biological": gettext_lazy("biological"),
    "chemical": gettext_lazy("chemical"),
    "physical": gettext_lazy("physical"),
    "allergen": gettext_lazy("allergen"),
    "radiological": gettext_lazy("radiological"),
}
CONTROL_KINDS = {
    "ccp": gettext_lazy("critical control point (CCP)"),
    "oprp": gettext_lazy("operational prerequisite programme (OPRP)"),
    "prp": gettext_lazy("prerequisite programme (PRP)"),
}
CONTROLS = {
    "process": gettext_lazy("process control"),
    "allergen": gettext_lazy("allergen control"),
    "sanitation": gettext_lazy("sanitation control"),
    "supply-chain": gettext_lazy("supply-chain control"),
    "other": gettext_lazy("other control"),
}
LIMITS = {
    "ccp": gettext_lazy("Critical limit"),
    "oprp": gettext_lazy("Action criterion"),
    "prp": gettext_lazy("Limit of the routine"),
}
PROVENANCE = {
    "read": gettext_lazy("read"),
    "memory": gettext_lazy("from memory"),
    "computed": gettext_lazy("computed"),
}
GUARDS = {
    "one-sided": gettext_lazy("guard band on the side of what is allowed"),
    "two-sided": gettext_lazy("guard band on both sides"),
}
ASKS = {
    "method": gettext_lazy("method"),
    "sample_temperature": gettext_lazy("temperature of the sample"),
}
PER = {
    "batch": gettext_lazy("each batch"),
    "part": gettext_lazy("each part of a batch"),
    "receipt": gettext_lazy("each receipt"),
    "changeover": gettext_lazy("each changeover"),
    "shift": gettext_lazy("each shift"),
    "day": gettext_lazy("each day"),
}
AT = {
    "start": gettext_lazy("at the start"),
    "change": gettext_lazy("at a change"),
    "break": gettext_lazy("after a break"),
    "end": gettext_lazy("at the end"),
}
WEEK = {
    "monday": gettext_lazy("Monday"),
    "tuesday": gettext_lazy("Tuesday"),
    "wednesday": gettext_lazy("Wednesday"),
    "thursday": gettext_lazy("Thursday"),
    "friday": gettext_lazy("Friday"),
    "saturday": gettext_lazy("Saturday"),
    "sunday": gettext_lazy("Sunday"),
}
PRODUCT = {
    "composition": gettext_lazy("Composition"),
    "allergens": gettext_lazy("Allergens"),
    "characteristics": gettext_lazy("Characteristics"),
    "processing": gettext_lazy("Processing"),
    "packaging": gettext_lazy("Packaging"),
    "storage_and_life": gettext_lazy("Storage and life"),
    "distribution": gettext_lazy("Distribution"),
}
USE = {
    "use": gettext_lazy("Intended use"),
    "consumers": gettext_lazy("Consumers"),
    "unintended_use": gettext_lazy("Unintended use that can be foreseen"),
}
RECALL = {
    "owner": gettext_lazy("Who leads it"),
    "tell_customers": gettext_lazy("How customers are told"),
    "tell_the_public": gettext_lazy("How the public is told"),
    "effectiveness_checks": gettext_lazy("How it is checked that they were reached"),
    "disposal": gettext_lazy("What becomes of what comes back"),
}
SUPPLY = {
    "supplier_approval": gettext_lazy("How suppliers are approved"),
    "supplier_verification": gettext_lazy("How they are verified"),
    "receipt_rule": gettext_lazy("What may be received"),
    "certificate": gettext_lazy("What a certificate must say"),
}
MONITORING = {
    "what": gettext_lazy("What"),
    "how": gettext_lazy("How"),
    "who": gettext_lazy("Who"),
    "instrument": gettext_lazy("Instrument"),
}


def said(words: Mapping[str, Any], part: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """The entries of a part of the plan that are filled in, each with what it is called, in the order of ``words``."""
    return tuple((str(words[name]), str(part[name])) for name in words if part.get(name))


def how_often(when: Mapping[str, Any]) -> str:
    """When a check is due, as one line; empty where the plan does not say."""
    return "; ".join(_how_often(when))


def _how_often(when: Mapping[str, Any]) -> Iterator[str]:
    if "per" in when:
        at = [str(AT[each]) for each in when.get("at", ())]
        yield ", ".join([str(PER[when["per"]]), *at])
    if "every_minutes" in when:
        yield _("every %s min in between") % when["every_minutes"]
    if when.get("break_steps"):
        yield _("a break is a step called %s") % ", ".join(when["break_steps"])
    if when.get("shifts"):
        yield _("shifts begin at %s") % ", ".join(when["shifts"])
    if "within_minutes" in when:
        yield _("missed %s min after it fell due") % when["within_minutes"]


def question(name: str) -> str:
    """A question of the Codex example tree."""
    return _(QUESTIONS[name])


def outcome(found: Outcome) -> str:
    return _(OUTCOME_WORDS[found])


def path(words: str) -> str:
    """Where two documents differ: the names of entries in the active language, codes as they stand."""
    return ", ".join(_(part) if part else part for part in words.split(", "))


def told(value: Any) -> str:
    """A value of a plan document on one line."""
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, Mapping):
        return "; ".join(f"{path(str(name).replace('_', ' '))}: {told(each)}" for name, each in value.items())
    if isinstance(value, list):
        return ", ".join(map(told, value)) if value else "–"
    return "–" if value is None else str(value)
