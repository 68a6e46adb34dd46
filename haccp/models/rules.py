"""Bounds set by the authority of one establishment. Nothing in code is a law; nothing binds until confirmed."""

from django.db import models
from django.db.models import F, Q

from batches.models import Material
from batches.models.places import Reference
from ledger.models import Person

UNCONFIRMED = "unconfirmed: to be confirmed with your authority"


class MeantFor(models.TextChoices):
    """The food a rule was written for. Water activity 0.85 parts the two, see ``haccp.moist_food``."""

    ANY = "any", "any food"
    MOIST = "moist", "moist food (water activity above 0.85)"
    DRY = "dry", "dry food (water activity up to 0.85)"


class Effect(models.TextChoices):
    """A trigger says when an authority acts or what a label must say; it is no limit to work by."""

    LIMIT = "limit", "limit to work by"
    TRIGGER = "trigger", "trigger for the authority or the label"


class LocalRule(Reference):
    """A bound from local regulation, for a span of days, and who confirmed it with which authority.

    ``quantity`` and ``unit`` as in the plan's limits. ``material``: empty = every material. ``subject``: what it
    is about in the words of the source, until a material here is named for it. Bounds are decimal text in
    ``unit``; those of a trigger enclose what it asks to act on. ``confirmed_by``: empty = to be confirmed with
    the authority; such a rule binds nothing.
    """

    quantity = models.CharField(max_length=80)
    unit = models.CharField(max_length=10)
    material = models.ForeignKey(Material, models.PROTECT, null=True, blank=True, related_name="+")
    subject = models.CharField(max_length=200, blank=True)
    intended_use = models.TextField(max_length=1000, blank=True)  # what the material is bought or sold for
    meant_for = models.CharField(max_length=5, choices=MeantFor, default=MeantFor.ANY)
    effect = models.CharField(max_length=7, choices=Effect, default=Effect.LIMIT)
    condition = models.TextField(max_length=1000, blank=True)
    lower = models.DecimalField(max_digits=15, decimal_places=4, null=True, blank=True)
    lower_inclusive = models.BooleanField(default=True)
    upper = models.DecimalField(max_digits=15, decimal_places=4, null=True, blank=True)
    upper_inclusive = models.BooleanField(default=True)
    authority = models.CharField(max_length=200)
    citation = models.CharField(max_length=300)
    provenance = models.CharField(max_length=200, blank=True)  # read, memory, ...: how the citation was seen
    in_force_from = models.DateField()
    in_force_until = models.DateField(null=True, blank=True)  # first day it no longer binds
    confirmed_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    confirmed_at = models.DateTimeField(null=True, blank=True)

    class Meta(Reference.Meta):
        constraints = [
            *Reference.Meta.constraints,
            models.CheckConstraint(
                name="rule_has_a_bound", condition=Q(lower__isnull=False) | Q(upper__isnull=False)
            ),
            models.CheckConstraint(
                name="rule_bounds_are_in_order",
                condition=Q(lower__isnull=True) | Q(upper__isnull=True) | Q(upper__gte=F("lower")),
            ),
            models.CheckConstraint(
                name="rule_ends_after_it_begins",
                condition=Q(in_force_until__isnull=True) | Q(in_force_until__gt=F("in_force_from")),
            ),
            models.CheckConstraint(
                name="rule_names_its_source", condition=~Q(citation="") & ~Q(authority="")
            ),
            models.CheckConstraint(name="rule_names_its_unit", condition=~Q(unit="")),
            models.CheckConstraint(
                name="rule_is_meant_for_a_known_food", condition=Q(meant_for__in=MeantFor.values)
            ),
            models.CheckConstraint(name="rule_effect_is_known", condition=Q(effect__in=Effect.values)),
            models.CheckConstraint(
                name="rule_confirmation_has_a_time",
                condition=Q(confirmed_by__isnull=True, confirmed_at__isnull=True)
                | Q(confirmed_by__isnull=False, confirmed_at__isnull=False),
            ),
            models.CheckConstraint(  # past days lean on it
                name="confirmed_rule_is_ended_not_put_away",
                condition=Q(confirmed_by__isnull=True) | Q(in_use=True),
            ),
        ]

    @property
    def status(self) -> str:
        """In words, wherever the rule is named."""
        return UNCONFIRMED if self.confirmed_by_id is None else "confirmed"


class Instrument(Reference):
    """What a reading was taken with. Bounds are decimal text in ``unit``; empty = not known."""

    kind = models.CharField(max_length=60)
    serial = models.CharField(max_length=60, blank=True)
    unit = models.CharField(max_length=10)
    range_lower = models.DecimalField(max_digits=15, decimal_places=4, null=True, blank=True)
    range_upper = models.DecimalField(max_digits=15, decimal_places=4, null=True, blank=True)
    resolution = models.DecimalField(max_digits=15, decimal_places=4, null=True, blank=True)
    expanded_uncertainty = models.DecimalField(
        max_digits=15, decimal_places=4, null=True, blank=True
    )  # U, k = 2
    verify_every_days = models.PositiveSmallIntegerField(null=True, blank=True)  # site setting, no source

    class Meta(Reference.Meta):
        constraints = [
            *Reference.Meta.constraints,
            models.CheckConstraint(
                name="instrument_range_is_in_order",
                condition=Q(range_lower__isnull=True)
                | Q(range_upper__isnull=True)
                | Q(range_upper__gt=F("range_lower")),
            ),
            models.CheckConstraint(
                name="instrument_resolution_is_positive",
                condition=Q(resolution__isnull=True) | Q(resolution__gt=0),
            ),
            models.CheckConstraint(
                name="instrument_uncertainty_is_not_negative",
                condition=Q(expanded_uncertainty__isnull=True) | Q(expanded_uncertainty__gte=0),
            ),
            models.CheckConstraint(
                name="instrument_is_verified_every_day_or_less_often",
                condition=Q(verify_every_days__isnull=True) | Q(verify_every_days__gte=1),
            ),
        ]
