"""Local rules: what the authority of one establishment asks for. Only a confirmed rule binds, on its days."""

import uuid
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import DateField, Q, QuerySet, UUIDField

from batches import reference
from batches.models import Material
from batches.quantities import UNITS, UnitDoesNotConvert
from config.api.refusals import Reason, Unusable
from haccp import confirming, limits, plan_documents, rule_files
from haccp.confirming import Confirmed
from haccp.limit_kinds import nothing_between
from haccp.models import ControlPoint, Effect, LocalRule
from ledger import signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment
from ledger.prepared import Given, Prepared

CONFIRMED = Confirmed(
    code="rule",
    noun="rule",
    plural="local rules",
    may_change=frozenset({"name", "provenance", "in_force_until"}),
    anew="the new bound as a new rule",
)
"""A check entered late is judged by the rule of its own day, so a new bound is a new rule from a new day on."""


@deed
def make(*, act: Act, values: dict[str, Any]) -> LocalRule:
    """Write down a local rule, to be confirmed with the authority. Raises Unusable, Unknown, RuleBroken."""
    _refuse_unusable(LocalRule(establishment=act.establishment, **confirming.refuse_said(CONFIRMED, values)))
    return reference.make(act=act, kind=LocalRule, values=values)


@deed
def alter(
    *, act: Act, rule: LocalRule, values: dict[str, Any], expected_version: int | None = None
) -> LocalRule:
    """Change a rule. Of a confirmed one only its name, provenance and last day, by a food-safety lead.

    Raises Unusable, Unknown, RuleBroken ``rule-is-confirmed``, NotAllowed, ChangedMeanwhile.
    """
    locked = LocalRule.objects.select_for_update(of=("self",), no_key=True).get(pk=rule.pk)
    changed = {
        name: value
        for name, value in confirming.refuse_said(CONFIRMED, values).items()
        if getattr(locked, name) != value
    }
    if locked.confirmed_by_id is not None and changed:
        confirming.refuse_other(CONFIRMED, act, locked, changed)
    for name, value in changed.items():
        setattr(locked, name, value)
    _refuse_unusable(locked)
    return reference.alter(act=act, row=locked, values=changed, expected_version=expected_version)


@deed
def confirm(
    *, act: Act, rule: LocalRule, proof: signatures.Proof, expected_version: int | None = None
) -> LocalRule:
    """Say, by signature, that the authority asks for this: from now on it tightens every limit it is about.

    By a food-safety lead. Raises NotAllowed, RuleBroken with every reason, ChangedMeanwhile.
    """
    return confirming.confirm(
        CONFIRMED,
        act=act,
        row=rule,
        proof=proof,
        expected_version=expected_version,
        unconfirmable=_unconfirmable,
    )


def rules_in_force(
    establishment: Establishment, on: date, materials: Collection[uuid.UUID] = ()
) -> list[limits.Rule]:
    """The confirmed rules that bind on a local day, for all materials or for one of ``materials``."""
    return binding(confirmed_on(establishment, on), materials)


def confirmed_on(establishment: Establishment, on: date) -> list[LocalRule]:
    """Every confirmed rule that binds on a local day, whatever it is about."""
    return list(_IN_FORCE.rows(here=establishment.pk, on=on))


def binding(found: Iterable[LocalRule], materials: Collection[uuid.UUID]) -> list[limits.Rule]:
    """Those of the rules that are for all materials or for one of ``materials``, as limits read them."""
    return [as_limit(rule) for rule in found if rule.material_id is None or rule.material_id in materials]


def _in_force() -> QuerySet[LocalRule]:
    on = Given("on", DateField())
    return LocalRule.objects.filter(
        Q(in_force_until__isnull=True) | Q(in_force_until__gt=on),
        establishment_id=Given("here", UUIDField()),
        confirmed_by__isnull=False,
        in_force_from__lte=on,
    )


_IN_FORCE = Prepared(_in_force)


def as_limit(rule: LocalRule) -> limits.Rule:
    """The rule as limits read it."""
    return limits.Rule(
        id=str(rule.pk),
        quantity=rule.quantity,
        unit=rule.unit,
        citation=rule.citation,
        lower=rule.lower,
        upper=rule.upper,
        lower_inclusive=rule.lower_inclusive,
        upper_inclusive=rule.upper_inclusive,
        trigger=rule.effect == Effect.TRIGGER,
        meant_for=rule.meant_for,
    )


def awaiting(
    establishment: Establishment, on: date, quantities: Collection[str], materials: Collection[uuid.UUID]
) -> list[LocalRule]:
    """The rules that nobody has confirmed yet and that would speak of these quantities that day, by code."""
    rows = LocalRule.objects.filter(
        Q(in_force_until__isnull=True) | Q(in_force_until__gt=on),
        Q(material__isnull=True) | Q(material__in=materials),
        establishment=establishment,
        confirmed_by__isnull=True,
        in_use=True,
        in_force_from__lte=on,
    )
    return [
        rule
        for rule in rows.order_by("code")
        if any(limits.same_quantity(rule.quantity, quantity) for quantity in quantities)
    ]


def confirmed(
    establishment: Establishment, quantity: str, first_day: date, last_day: date
) -> list[LocalRule]:
    """The confirmed rules about a quantity that bind on some day of a period, by code."""
    rows = LocalRule.objects.filter(
        Q(in_force_until__isnull=True) | Q(in_force_until__gt=first_day),
        establishment=establishment,
        confirmed_by__isnull=False,
        in_force_from__lte=last_day,
    )
    return [rule for rule in rows.order_by("code") if limits.same_quantity(rule.quantity, quantity)]


def in_words(rule: LocalRule) -> str:
    """One line: what it asks for, of what, where it is written, how that was seen, and whether it is confirmed."""
    about = "".join(f", {part}" for part in (rule.subject, rule.intended_use) if part)
    kind = "" if rule.effect == Effect.LIMIT else f"; {rule.get_effect_display()}"
    asks = f"{rule.quantity}{about}: {limits.words_of(as_limit(rule))}{kind}"
    return f"{rule.code}: {asks} ({'; '.join(filter(None, (rule.citation, rule.provenance, rule.status)))})"


@dataclass(frozen=True)
class BroughtIn:
    """``made``: new rules. ``known``: those whose code stood here already; they were left as they are.

    ``other``: by code of a known one, in what the file says something else.
    """

    made: list[LocalRule]
    known: list[LocalRule]
    other: dict[str, list[str]]


@deed
def bring_in(*, act: Act, rows: Sequence[rule_files.Row]) -> BroughtIn:
    """Write down the rules of a file, to be confirmed one by one: all of them, or none.

    A code that stands here already is left as it is, so that a file can be brought in again. A rule without a
    first day begins on the day it is brought in. Raises Unusable with every row's error, line and column.
    """
    materials = _by_code(Material, act, [row.cells.get("material", "") for row in rows])
    read = [(row, *_read(act, row, materials)) for row in rows]
    reasons = [*_doubled(rows), *(reason for _, _, wrong in read for reason in wrong)]
    if reasons:
        raise Unusable(
            f"{len(reasons)} errors in {len(rows)} rules. None was written; mend the file and send it again.",
            code="unusable-rules",
            reasons=reasons,
        )
    known = _by_code(LocalRule, act, [row.cells["code"] for row in rows])
    made = [
        reference.make(act=act.with_new_id(note=act.note), kind=LocalRule, values=values)
        for row, values, _ in read
        if row.cells["code"] not in known
    ]
    other = {row.cells["code"]: _differing(known, row, values) for row, values, _ in read}
    return BroughtIn(made, list(known.values()), {code: names for code, names in other.items() if names})


def _by_code(kind: Any, act: Act, codes: list[str]) -> dict[str, Any]:
    found = kind.objects.filter(establishment=act.establishment, code__in=set(codes))
    return {row.code: row for row in found.order_by("code")}


def _read(
    act: Act, row: rule_files.Row, materials: dict[str, Material]
) -> tuple[dict[str, Any], list[Reason]]:
    """The values of a row and everything wrong with them, each with its line and column."""
    values, wrong = rule_files.values(row)
    code = row.cells.get("material")
    if code is not None and code not in materials:
        wrong.append(Reason("unknown-material", f"There is no material {code[:20]!a} here.", "material"))
    values |= {"material": materials[code]} if code in materials else {}
    values.setdefault("in_force_from", act.local_day)
    told = {reason.field for reason in wrong}
    further = _wrong_as_kept(LocalRule(establishment=act.establishment, **values))
    wrong += [
        reason for reason in further if not told & rule_files.SAME_END.get(reason.field, {reason.field})
    ]
    return values, [row.at(reason) for reason in wrong]


def _wrong_as_kept(rule: LocalRule) -> Iterator[Reason]:
    """What is wrong with the rule as a rule, else with its fields as the database keeps them."""
    found = list(_wrong(rule))
    yield from found
    try:
        rule.clean_fields(exclude=["establishment", "material", "confirmed_by"])
    except ValidationError as error:
        for name, messages in error.message_dict.items():
            if name not in {reason.field for reason in found}:
                yield Reason("unusable-value", " ".join(messages), name)


def _doubled(rows: Sequence[rule_files.Row]) -> Iterator[Reason]:
    first: dict[str, int] = {}
    for row in rows:
        code = row.cells.get("code", "")
        if code and first.setdefault(code, row.line) != row.line:
            yield row.at(
                Reason("code-used-twice", f"{code[:20]!a} stands in line {first[code]} too.", "code")
            )


def _differing(known: dict[str, LocalRule], row: rule_files.Row, values: dict[str, Any]) -> list[str]:
    rule = known.get(row.cells["code"])
    said = {name: value for name, value in values.items() if name in row.cells}
    return [] if rule is None else [name for name, value in said.items() if getattr(rule, name) != value]


def _refuse_unusable(rule: LocalRule) -> None:
    reasons = list(_wrong(rule))
    if reasons:
        raise Unusable("The rule cannot be kept so. Nothing was written.", reasons=reasons)


def _wrong(rule: LocalRule) -> Iterator[Reason]:
    for name in ("quantity", "authority", "citation"):
        if not getattr(rule, name).strip():
            yield Reason("missing", f"Give its {name}.", name)
    if rule.unit not in UNITS:
        yield Reason(
            "unknown-unit", f"Give its unit by the UN/ECE code: one of {', '.join(sorted(UNITS))}.", "unit"
        )
    if rule.lower is None and rule.upper is None:
        yield Reason("no-bound", "A rule has a lower or an upper bound.", "lower")
    elif nothing_between(rule.lower, rule.upper, rule.lower_inclusive and rule.upper_inclusive):
        yield Reason("bounds-crossed", "Nothing lies between the lower and the upper bound.", "lower")
    if rule.in_force_until is not None and rule.in_force_until <= rule.in_force_from:
        yield Reason("ends-before-it-begins", "A rule ends after it begins.", "in_force_until")


def _unconfirmable(rule: LocalRule) -> Iterator[Reason]:
    if rule.confirmed_by_id is not None:
        yield Reason("confirmed-already", f"Rule {rule.code} is confirmed.", "rule", [str(rule.pk)])
    if not rule.in_use:
        yield Reason("not-in-use", f"Rule {rule.code} is marked as no longer in use.", "in_use")
    if rule.subject and rule.material_id is None:
        sentence = (
            f"It is about {rule.subject!r}: name the material here that this is, or empty the subject if every "
            "material is meant."
        )
        yield Reason("subject-without-material", sentence, "material")
    yield from _not_convertible(rule)


def _not_convertible(rule: LocalRule) -> Iterator[Reason]:
    """A rule in a unit that a plan's limit is not read in could tighten nothing there."""
    for point in ControlPoint.newest(rule.establishment_id):
        for said in plan_documents.control_point(point.document).limits:
            for reason in limits.looser_than(limits.from_json(said), [as_limit(rule)]):
                if reason.code == UnitDoesNotConvert.code:
                    yield Reason(reason.code, f"{point.code}: {reason.detail}", "unit", [str(point.pk)])
