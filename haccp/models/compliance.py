from django.db import models
from django.db.models import F, Q

from ledger.models import BASE_1, Record


class ComplianceRelief(Record):
    """A food-safety lead records, signed, that law spares this house something: on what basis, shown by what, on which days.

    ``relief``: a code of ``haccp.compliance.known``. ``until_day``: the first day it no longer holds. A correction ends it
    earlier; withdrawn, it never held. Scans hang on the record.
    """

    kind = "haccp.compliance-relief"

    relief = models.CharField(max_length=40)  # which there are is for the code to say, not for the table
    basis = models.TextField(max_length=4000)
    evidence = models.TextField(max_length=2000)
    from_day = models.DateField()
    until_day = models.DateField()

    own_fields = ("relief", "basis", "evidence", "from_day", "until_day")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="relief_has_a_code", condition=~Q(relief="")),
            models.CheckConstraint(name="relief_has_a_basis", condition=~Q(basis="")),
            models.CheckConstraint(name="relief_has_evidence", condition=~Q(evidence="")),
            models.CheckConstraint(
                name="relief_ends_after_it_begins", condition=Q(until_day__gt=F("from_day"))
            ),
        ]
        indexes = [*Record.Meta.indexes, models.Index(fields=["establishment", "until_day"])]
