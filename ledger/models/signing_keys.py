from django.db import models
from django.db.models import F, Q

from ledger.models.records import BASE_1, Record


class SigningKey(Record):
    """From when on documents are signed with which key: its certificate, never the key itself.

    ``certificate``: X.509 as PEM. ``fingerprint``: SHA-256 of it in DER, in hex. ``replaces``: the fingerprint of the key
    that was in force before, if any. ``brought``: somebody else made key and certificate.
    """

    kind = "ledger.signing-key"

    certificate = models.TextField(max_length=10_000)
    fingerprint = models.CharField(max_length=64)
    replaces = models.CharField(max_length=64, blank=True)
    brought = models.BooleanField()

    own_fields = ("certificate", "fingerprint", "replaces", "brought")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="signing_key_has_a_certificate", condition=~Q(certificate="")),
            models.CheckConstraint(name="signing_key_has_a_fingerprint", condition=~Q(fingerprint="")),
            models.CheckConstraint(
                name="signing_key_does_not_replace_itself", condition=~Q(replaces=F("fingerprint"))
            ),
        ]
