"""How findings, their answers and their closing are told and shown."""

from collections.abc import Sequence
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from batches.models import Batch, Equipment, Lot
from config.api.examples import PASSWORD, WHEN, example
from haccp.inspections import due, findings
from haccp.models import ControlPoint, Finding, FindingClosed
from ledger.api.records import RecordSerializer
from ledger.api.scope import ScopedReference
from ledger.models import Establishment

TEXT: dict[str, Any] = {"required": False, "allow_blank": True}


def about(queryset: Any, **options: Any) -> ScopedReference:
    return ScopedReference(queryset=queryset, required=False, allow_null=True, **options)


@example(
    performed_at=WHEN, text="The seal of the door was replaced.", told="E-mail to the office, with a photo"
)
class FindingAnswerSerializer(RecordSerializer):
    """Photos and papers that show it hang on this record (``attachments``)."""

    text = serializers.CharField(max_length=4000, help_text="What was done.")
    told = serializers.CharField(
        max_length=300, **TEXT, help_text="How and to whom it was told; empty: it stayed in the house."
    )


@example(performed_at=WHEN, by="them", reference="Letter of 20 March 2026", password=PASSWORD)
class FindingClosedSerializer(RecordSerializer):
    by = serializers.ChoiceField(choices=FindingClosed.By.choices)
    reference = serializers.CharField(max_length=200, **TEXT, help_text="Of their word.")
    because = serializers.CharField(max_length=2000, **TEXT, help_text="Why the house holds it done.")
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


@example(
    performed_at=WHEN,
    number="1",
    text="The seal of the cold store's door is torn.",
    rule="Regulation (EC) 852/2004, Annex II, chapter I, 1",
    grade="minor",
    due_on="2026-03-16",
)
class InspectionFindingSerializer(RecordSerializer):
    """In the words of who found it. ``state``: open, answered or closed."""

    inspection = serializers.UUIDField(source="inspection_id", read_only=True)
    number = serializers.CharField(max_length=20, **TEXT, help_text="Theirs.")
    text = serializers.CharField(max_length=4000, help_text="As they said or wrote it.")
    rule = serializers.CharField(max_length=300, **TEXT, help_text="The rule they named.")
    grade = serializers.CharField(max_length=120, **TEXT, help_text="In their own words.")
    due_on = serializers.DateField(
        required=False, allow_null=True, help_text="By when, on the establishment's calendar; empty: no day."
    )
    lot = about(Lot.objects.all(), slug="uid")
    batch = about(Batch.objects.all(), slug="uid")
    control_point = about(ControlPoint.objects.all())
    equipment = about(Equipment.objects.all())
    as_entered = serializers.BooleanField(
        required=False,
        default=False,
        write_only=True,
        help_text="A day before the visit stands so in what they wrote: keep and flag it instead of asking back.",
    )
    flags = serializers.SerializerMethodField()
    first = serializers.UUIDField(
        source="first_id",
        read_only=True,
        allow_null=True,
        help_text="The first record of a line of corrections.",
    )
    state = serializers.SerializerMethodField()
    late_days = serializers.SerializerMethodField(
        help_text="Of the first answer, or until today where there is none."
    )
    answers = serializers.SerializerMethodField()
    closed = serializers.SerializerMethodField()

    @extend_schema_field(serializers.ListField(child=serializers.DictField()))
    def get_flags(self, finding: Finding) -> list[dict[str, str]]:
        return [{"code": code, "detail": findings.SENTENCES[code]} for code in finding.flags]

    @extend_schema_field(serializers.ChoiceField(choices=[each.value for each in due.Standing]))
    def get_state(self, finding: Finding) -> str:
        return _state(finding).standing.value

    def get_late_days(self, finding: Finding) -> int:
        return _state(finding).late_days

    @extend_schema_field(FindingAnswerSerializer(many=True))
    def get_answers(self, finding: Finding) -> Any:
        return FindingAnswerSerializer(_state(finding).answers, many=True, context=self.context).data

    @extend_schema_field(FindingClosedSerializer(allow_null=True))
    def get_closed(self, finding: Finding) -> Any:
        closed = _state(finding).closed
        return None if closed is None else FindingClosedSerializer(closed, context=self.context).data


def with_states(found: Sequence[Any], here: Establishment) -> list[Any]:
    """Each with how it stands today; a list asks once for all."""
    known = due.states(found, due.today_at(here))
    for each in found:
        each.known_state = known[each.pk]
    return list(found)


def _state(finding: Any) -> due.State:
    if not hasattr(finding, "known_state"):
        with_states([finding], finding.establishment)
    state: due.State = finding.known_state
    return state
