"""What every record is: written once, by someone, at a time, with a digest that shows any later change."""

import json
import re
import secrets
from collections.abc import Callable, Iterable, Sequence
from copy import copy
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any, ClassVar, Self

from django.apps import apps
from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connections, models, router
from django.db.models import F, Q
from django.db.models.sql import InsertQuery
from django.utils import timezone

from config.api.constraints import broken_constraint
from config.api.refusals import OtherContent, Refusal, RuleBroken, Unknown, Unusable
from ledger import canonical
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models.kept import Kept

BASE_1 = (
    "establishment",
    "performed_by",
    "performed_at",
    "performed_offset",
    "recorded_by",
    "recorded_at",
    "sent_at",
    "place",
    "note",
    "corrects",
    "reason",
    "withdrawn",
)
"""The fields every record has, as digested in form 1."""

BASE_CLIENT_FIELDS = (
    "performed_by",
    "performed_at",
    "performed_offset",
    "place",
    "note",
    "corrects",
    "reason",
    "withdrawn",
)
"""What a client says of any record; the rest the server adds."""

CLOCK_TOLERANCE = timedelta(minutes=5)
"""A device whose clock is further ahead than this is shown so (decision D12)."""


ROWS_A_STATEMENT = 200  # SQLite bounds the number of parameters in one statement

UNKEEPABLE_TEXT = re.compile("[\x00\ud800-\udfff]")
UNKEEPABLE_JSON = re.compile(r"[\ud800-\udfff]|(?<!\\)(?:\\\\)*\\u0000")
"""U+0000 and lone surrogates, which PostgreSQL cannot keep; in JSON text U+0000 stands escaped."""


class AlreadyRecorded(Exception):
    """The same id with the same content is there already: ``record`` is what is stored."""

    def __init__(self, record: "Record"):
        super().__init__(str(record.id))
        self.record = record


class RecordQuerySet(models.QuerySet[Any]):
    def standing(self) -> Self:
        """Leave out what a later record corrects, and what was withdrawn."""
        return self.filter(corrected_by__isnull=True, withdrawn=False)

    def of(self, establishment: Any) -> Self:
        return self.filter(establishment=establishment)


class Record(Kept):
    """Something that was done or decided, written down once.

    A subclass sets ``kind``, ``FORMS`` (form number -> digested fields), ``client_fields`` (what the client said,
    so that a repeat can be told from other content) and ``confidential`` (fields that enter the digest as a
    salted hash). Numbers enter the digest as text, times as UTC with six decimals, references as their uuid.
    """

    kind: ClassVar[str]
    FORMS: ClassVar[dict[int, tuple[str, ...]]]
    client_fields: ClassVar[tuple[str, ...]]
    confidential: ClassVar[frozenset[str]] = frozenset()
    counted_in: ClassVar[str] = ""  # what is computed from all records of this kind: one alone never leaves
    repeated = False  # True on an instance that answers a repeated post

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    establishment = models.ForeignKey("ledger.Establishment", models.PROTECT, related_name="+")
    performed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    performed_at = models.DateTimeField()
    performed_offset = models.SmallIntegerField()  # minutes east of UTC, as sent
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True, blank=True)  # the device's clock when it sent this
    place = models.CharField(max_length=120, blank=True)
    note = models.TextField(max_length=4000, blank=True)
    corrects = models.OneToOneField(
        "self", models.PROTECT, null=True, blank=True, related_name="corrected_by"
    )
    reason = models.TextField(max_length=1000, blank=True)
    withdrawn = models.BooleanField(default=False)
    salts = models.JSONField(default=dict, blank=True)
    request_digest = models.CharField(max_length=64)
    form = models.PositiveSmallIntegerField()
    digest = models.CharField(max_length=64)

    objects = RecordQuerySet.as_manager()

    class Meta:
        abstract = True
        ordering = ["-recorded_at", "-id"]
        indexes = [models.Index(fields=["establishment", "-recorded_at", "-id"])]
        constraints = [
            models.CheckConstraint(
                name="%(app_label)s_%(class)s_correction_has_a_reason",
                condition=Q(corrects__isnull=True) | ~Q(reason=""),
            ),
            models.CheckConstraint(
                name="%(app_label)s_%(class)s_withdrawal_names_a_record",
                condition=Q(withdrawn=False) | Q(corrects__isnull=False),
            ),
            models.CheckConstraint(
                name="%(app_label)s_%(class)s_does_not_correct_itself",
                condition=Q(corrects__isnull=True) | ~Q(corrects=F("id")),
            ),
            models.CheckConstraint(
                name="%(app_label)s_%(class)s_offset_is_of_this_earth",
                condition=Q(performed_offset__gte=-14 * 60, performed_offset__lte=14 * 60),
            ),
        ]

    # -- making one ---------------------------------------------------------------------------------

    @classmethod
    def new(cls, act: Act, **values: Any) -> Self:
        """An unsaved record of ``act`` with this kind's own ``values``. Raises Unknown, RuleBroken."""
        return cls(
            id=act.id or uuid7(),
            establishment=act.establishment,
            performed_by=act.performed_by,
            performed_at=act.performed.at,
            performed_offset=act.performed.offset,
            recorded_by=act.recorded_by,
            sent_at=act.sent_at,
            place=act.place,
            note=act.note,
            corrects=cls.to_correct(act),
            reason=act.reason,
            withdrawn=act.withdraws,
            **values,
        )

    @classmethod
    def to_correct(cls, act: Act) -> Self | None:
        """The record that ``act`` corrects: of this class and establishment, and the latest of its line."""
        if act.corrects is None:
            return None
        known: Any = cls.objects.of(act.establishment).filter(pk=act.corrects).first()
        if known is None:
            raise Unknown(f"There is no {cls.kind} record {act.corrects} here to correct.", field="corrects")
        later = getattr(known, "corrected_by", None)
        if later is not None and later.pk != act.id:
            raise RuleBroken(
                f"Record {known.pk} was already corrected by {later.pk}; correct that one instead.",
                code="already-corrected",
                field="corrects",
            )
        if known.withdrawn:
            raise RuleBroken(f"Record {known.pk} is a withdrawal; it cannot be corrected.", code="withdrawn")
        return known

    @classmethod
    def withdrawal(cls, act: Act) -> Self:
        """A record that says the one it corrects never happened; it repeats what that one said."""
        gone = cls.to_correct(act)
        if gone is None or not act.withdraws:
            raise RuleBroken("Name the record to withdraw.", code="nothing-to-withdraw", field="corrects")
        base = {f.attname for f in Record._meta.get_fields() if isinstance(f, models.Field)}
        own = {
            f.attname: getattr(gone, f.attname) for f in cls._meta.concrete_fields if f.attname not in base
        }
        return cls.new(act, **own)

    def insert(self) -> Self:
        """Write this record. Raises Unusable, OtherContent, and AlreadyRecorded for a repeat."""
        self._complete(timezone.now())
        if not self._insert_once():
            raise AlreadyRecorded(self._stored())
        return self

    @classmethod
    def insert_many(cls, records: Sequence[Self]) -> list[Self | Refusal]:
        """Write many in few statements. Each answers for itself, in order: the record, or why it is refused.

        A repeat answers what is stored, marked ``repeated``; an id with other content OtherContent; a value
        that cannot be kept Unusable. A rule that the database keeps raises as usual, and then none is stored.
        """
        now = timezone.now()
        answers = [record._completed(now) for record in records]
        first: dict[Any, Self] = {}
        for answer in answers:
            if isinstance(answer, cls):
                first.setdefault(answer.pk, answer)
        known: dict[Any, Any] = cls.objects.in_bulk(list(first))
        new = [record for pk, record in first.items() if pk not in known]
        if cls._insert_rows(new) < len(new):  # somebody else was quicker
            stored = cls.objects.in_bulk([record.pk for record in new])
            known |= {pk: row for pk, row in stored.items() if row.digest != first[pk].digest}
        return [
            answer._answer(known.get(answer.pk), first[answer.pk]) if isinstance(answer, cls) else answer
            for answer in answers
        ]

    def _answer(self, known: Self | None, first: Self) -> Self | Refusal:
        if known is None and first is self:
            return self
        try:
            return self._same_as(known or copy(first))
        except OtherContent as refusal:
            return refusal

    def _complete(self, recorded_at: datetime) -> None:
        """What the server adds before a record is written. Raises Unusable."""
        self.recorded_at = recorded_at
        self.form = max(self.FORMS)
        self._clean()
        self.salts = {name: secrets.token_hex(canonical.SALT_BYTES) for name in sorted(self.confidential)}
        try:
            self.request_digest = self._request_digest()
            self.digest = canonical.digest(self.content())
        except canonical.NotCanonical as error:
            raise Unusable(f"This cannot be kept as it is: {error}") from error

    def _completed(self, recorded_at: datetime) -> Self | Refusal:
        try:
            self._complete(recorded_at)
        except Unusable as refusal:
            return refusal
        return self

    def answer_if_repeated(self) -> None:
        """Raise AlreadyRecorded if this is stored already: asked before any gate, so a repeat is never refused."""
        if type(self).objects.filter(pk=self.pk).exists():
            raise AlreadyRecorded(self._stored())

    def _clean(self) -> None:
        relations = [f.name for f in self._meta.concrete_fields if f.is_relation]
        server_made = ["salts", "request_digest", "digest", "form"]
        try:
            self.clean_fields(exclude=[*relations, *server_made])
        except ValidationError as error:
            name, messages = next(iter(error.message_dict.items()))
            raise Unusable(" ".join(messages), field=name) from error
        for name, value in self._said().items():
            if _has_unkeepable(value):
                raise Unusable(
                    "Contains a character that cannot be kept (U+0000 or half a pair).", field=name
                )

    def _insert_once(self) -> bool:
        """Insert unless the id is there; say whether it was inserted. Other broken rules raise as usual.

        SQLite sees one writer at a time, so looking first is enough there; its guard against REPLACE would
        also refuse the repeat before ON CONFLICT is asked.
        """
        vendor = connections[router.db_for_write(type(self))].vendor
        if vendor == "sqlite" and type(self).objects.filter(pk=self.pk).exists():
            return False
        return self._insert_rows([self]) == 1

    @classmethod
    def _insert_rows(cls, records: Sequence[Self]) -> int:
        """Insert rows whose id is not there yet; the number inserted."""
        using, inserted = router.db_for_write(cls), 0
        with connections[using].cursor() as cursor:
            for start in range(0, len(records), ROWS_A_STATEMENT):
                query = InsertQuery(cls)
                chunk: list[models.Model] = list(records[start : start + ROWS_A_STATEMENT])
                query.insert_values(cls._meta.concrete_fields, chunk)
                for sql, params in query.get_compiler(using=using).as_sql():
                    try:
                        cursor.execute(f"{sql} ON CONFLICT (id) DO NOTHING", params)
                    except IntegrityError as error:
                        if taken := _taken_by_another_kind(error, chunk):
                            raise taken from error
                        raise
                    inserted += cursor.rowcount
        for record in records:
            record._state.adding, record._state.db = False, using
        return inserted

    def _stored(self) -> Self:
        """What is stored under this id, if it says the same. Raises OtherContent."""
        stored: Any = type(self).objects.filter(pk=self.pk).first()
        return self._same_as(stored)

    def _same_as(self, stored: Self | None) -> Self:
        if (
            stored is None
            or stored.establishment_id != self.establishment_id
            or stored.request_digest != self._request_digest()
        ):
            raise OtherContent(
                f"Id {self.pk} is taken by a record with other content. Nothing was changed.", field="id"
            )
        stored.repeated = True
        return stored

    # -- what is digested ---------------------------------------------------------------------------

    def content(self) -> dict[str, Any]:
        """What the digest covers: text, truth values, lists and objects only."""
        return self.content_of(self.form, lambda name: _value_of(self, name), self.salts)

    @classmethod
    def content_of(cls, form: int, value_of: Callable[[str], Any], salts: dict[str, str]) -> dict[str, Any]:
        content: dict[str, Any] = {"kind": cls.kind, "form": str(form)}
        for name in ("id", *cls.FORMS[form]):
            value = plain(cls._meta.get_field(name), value_of(name))
            if name in cls.confidential:
                value = {"hidden": canonical.hidden(bytes.fromhex(salts[name]), value)}
            content[name] = value
        return content

    def open_values(self) -> dict[str, dict[str, Any]]:
        """Salt and value of each field that this row's form hides, for whoever may see them."""
        fields = self._meta
        return {
            name: {"salt": self.salts[name], "value": plain(fields.get_field(name), _value_of(self, name))}
            for name in sorted(self.confidential & set(self.FORMS[self.form]))
        }

    def _said(self) -> dict[str, Any]:
        names = (*BASE_CLIENT_FIELDS, *self.client_fields)
        return {name: plain(self._meta.get_field(name), _value_of(self, name)) for name in names}

    def _request_digest(self) -> str:
        return canonical.digest(
            {"kind": self.kind, "establishment": str(self.establishment_id), "said": self._said()}
        )

    # -- what a reader asks -------------------------------------------------------------------------

    @property
    def late_by(self) -> timedelta:
        """How long after the work this was written down; never negative."""
        return max(self.recorded_at - self.performed_at, timedelta(0))

    @property
    def is_late(self) -> bool:
        return self.late_by > timedelta(minutes=self.establishment.late_after_minutes)

    @property
    def clock_ahead_by(self) -> timedelta | None:
        """How far the stated time lies in the server's future, if by more than five minutes; else None."""
        ahead = self.performed_at - self.recorded_at
        return ahead if ahead > CLOCK_TOLERANCE else None


def _taken_by_another_kind(error: IntegrityError, records: Sequence[models.Model]) -> OtherContent | None:
    """The list of all records holds each id once, also of one of another kind, or that has left."""
    if broken_constraint(error) != "ledger_entry_pkey":
        return None
    named = str(records[0].pk) if len(records) == 1 else "of one of these"
    return OtherContent(
        f"Id {named} is taken by a record of another kind, or by one that has left. Nothing was changed.",
        field="id",
    )


def _value_of(record: models.Model, name: str) -> Any:
    """The value of a field; of a reference its uuid (``uid`` where the key inside is a number)."""
    field: Any = record._meta.get_field(name)
    if not field.is_relation:
        return getattr(record, name)
    if reference_column(field) == "pk":
        return getattr(record, field.attname)
    target = getattr(record, name)
    return None if target is None else target.uid


def _has_unkeepable(value: Any) -> bool:
    if isinstance(value, (dict, list)):
        return bool(UNKEEPABLE_JSON.search(json.dumps(value, ensure_ascii=False)))
    return isinstance(value, str) and bool(UNKEEPABLE_TEXT.search(value))


def reference_column(field: Any) -> str:
    """How a referenced row is named outside: ``uid`` where it has one, else its key."""
    names = {f.name for f in field.related_model._meta.concrete_fields}
    return "uid" if "uid" in names else "pk"


def plain(field: Any, value: Any) -> Any:
    """A field's value in the form in which it is digested."""
    if value is None or isinstance(value, bool):
        return value
    if isinstance(field, models.JSONField):
        return value
    if isinstance(value, datetime):
        return utc_text(value)
    if isinstance(value, Decimal):
        return format(value + 0, f".{field.decimal_places}f")  # no database keeps the sign of -0
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def utc_text(value: datetime) -> str:
    """UTC with six decimals, as times enter a digest: 2026-03-02T11:00:00.000000Z."""
    return value.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def record_classes() -> Iterable[type[Record]]:
    """Every kind of record there is, in the order of their tables."""
    kinds = (model for model in apps.get_models() if issubclass(model, Record))
    return sorted(kinds, key=lambda model: model._meta.db_table)


def record_class(kind: str) -> type[Record]:
    return next(model for model in record_classes() if model.kind == kind)
