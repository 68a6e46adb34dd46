from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q

from ledger.ids import uuid7
from ledger.models.establishments import Establishment
from ledger.models.kept import Versioned
from ledger.models.records import BASE_1, Record

THE_SERVICE = "the-service"
"""The service itself, as performer of what it notes without a person asking. Nobody can sign in as it."""


class PersonManager(BaseUserManager["Person"]):
    def create_user(self, sign_in_name: str, password: str | None = None, **values: object) -> "Person":
        person = self.model(sign_in_name=sign_in_name, **values)
        person.set_password(password)
        person.full_clean()
        person.save(using=self._db)
        return person


class Person(AbstractBaseUser, Versioned):
    """One human being. Never shared; never removed, only made inactive."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    sign_in_name = models.CharField(
        max_length=60,
        unique=True,
        validators=[
            RegexValidator(r"\A[a-z0-9][a-z0-9._-]*\Z", "Small letters, digits, dot, dash, underscore.")
        ],
    )
    name = models.CharField(max_length=120)
    initials = models.CharField(max_length=6)
    email = models.EmailField(blank=True)
    is_active = models.BooleanField(default=True)

    objects = PersonManager()

    USERNAME_FIELD = "sign_in_name"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS = ["name", "initials"]

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(name="person_has_a_name", condition=~Q(name="")),
            models.CheckConstraint(
                name="the_service_does_not_sign_in",
                condition=~Q(sign_in_name=THE_SERVICE) | Q(is_active=False),
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    OPERATOR = "operator", "operator"
    SUPERVISOR = "supervisor", "supervisor"
    FOOD_SAFETY_LEAD = "food-safety-lead", "food-safety lead"
    INSPECTOR = "inspector", "inspector"
    ADMINISTRATOR = "administrator", "administrator"


class Membership(Versioned):
    """A role a person has at an establishment, from a day until (not including) another."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="memberships")
    person = models.ForeignKey(Person, models.PROTECT, related_name="memberships")
    role = models.CharField(max_length=20, choices=Role.choices)
    from_day = models.DateField()
    until_day = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                name="membership_once_a_role", fields=["establishment", "person", "role"]
            ),
            models.CheckConstraint(name="membership_role_is_known", condition=Q(role__in=Role.values)),
            models.CheckConstraint(
                name="membership_ends_after_it_begins",
                condition=Q(until_day__isnull=True) | Q(until_day__gt=F("from_day")),
            ),
        ]


class Token(Versioned):
    """A key for a program that works in one person's name at one establishment. Only its hash is kept."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="tokens")
    person = models.ForeignKey(Person, models.PROTECT, related_name="tokens")
    label = models.CharField(max_length=80)
    key_hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(name="token_ends_after_it_begins", condition=Q(ends_at__gt=F("made_at")))
        ]


class Qualification(Record):
    """What a person is trained or certified for, with its evidence and the days it holds."""

    kind = "ledger.qualification"

    person = models.ForeignKey(Person, models.PROTECT, related_name="qualifications")
    title = models.CharField(max_length=200)
    covers_plans = models.BooleanField()  # entitles to approve hazard plans and review their records
    evidence = models.TextField(max_length=2000)
    issued_by = models.CharField(max_length=200)
    valid_from = models.DateField()
    valid_until = models.DateField(null=True, blank=True)  # first day it no longer holds

    own_fields = ("person", "title", "covers_plans", "evidence", "issued_by", "valid_from", "valid_until")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="qualification_ends_after_it_begins",
                condition=Q(valid_until__isnull=True) | Q(valid_until__gt=F("valid_from")),
            ),
            models.CheckConstraint(name="qualification_has_evidence", condition=~Q(evidence="")),
        ]
