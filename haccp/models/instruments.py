"""Instruments held against something known: what they showed, and for which range that speaks."""

from django.db import models
from django.db.models import Q

from haccp.models.rules import Instrument
from ledger.models import BASE_1, Establishment, Record


class Method(models.TextChoices):
    ICE_POINT = "ice-point", "ice point"
    BOILING_POINT = "boiling-point", "boiling point"
    REFERENCE = "reference-instrument", "reference instrument"
    SALT = "saturated-salt", "saturated salt"
    WEIGHT = "weight", "weight"


class Verified(models.TextChoices):
    PASS = "pass", "within its tolerance"
    FAIL = "fail", "outside its tolerance"


class InstrumentVerification(Record):
    """An instrument was held against something known, at one point.

    ``said``: as entered, numbers as text: {"unit", "as_found", "tolerance", "covers_lower", "covers_upper"} and, where
    they apply, {"as_left", "stated", "salt", "temperature" (degC), "pressure" (kPa)}. ``reference``: what it should
    have shown: {"value", "low", "high", "unit", "source"}. ``result``: as found; ``left``: how it went back to work.
    ``doubted``: the ids of the checks that a failed one put in doubt when it was recorded.
    """

    kind = "haccp.instrument-verification"
    counted_in = "the states of instruments"

    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="verifications")
    method = models.CharField(max_length=20, choices=Method.choices)
    standard = models.CharField(max_length=200)  # what it was held against: number, certificate
    said = models.JSONField()
    reference = models.JSONField()
    result = models.CharField(max_length=4, choices=Verified.choices)
    left = models.CharField(max_length=4, choices=Verified.choices)
    doubted = models.JSONField(default=list, blank=True)

    client_fields = ("instrument", "method", "standard", "said")
    FORMS = {1: (*BASE_1, *client_fields, "reference", "result", "left", "doubted")}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["instrument", "performed_at"])]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="verification_method_is_known", condition=Q(method__in=Method.values)
            ),
            models.CheckConstraint(
                name="verification_result_is_known",
                condition=Q(result__in=Verified.values, left__in=Verified.values),
            ),
            models.CheckConstraint(name="verification_names_its_standard", condition=~Q(standard="")),
        ]


class InstrumentState(models.Model):
    """What the verifications of an instrument come to by now: a projection, read with the instrument.

    ``facts``: as ``haccp.verified.Known`` writes it.
    """

    instrument = models.OneToOneField(
        Instrument, models.PROTECT, primary_key=True, related_name="verification_state"
    )
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    facts = models.JSONField()
