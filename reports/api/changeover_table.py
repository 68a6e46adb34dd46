"""What may be asked of a changeover table for the wall."""

from rest_framework import serializers

from batches.models import Equipment, Material
from config.api.bodies import BodySerializer
from ledger.api.scope import ScopedReference

MOST_EQUIPMENT, MOST_MATERIALS = 50, 200


class ChangeoverTableSerializer(BodySerializer):
    """Of which day, for which equipment, between which products."""

    on = serializers.DateField(required=False, help_text="A local day; today, if left out.")
    equipment = serializers.ListField(
        child=ScopedReference(queryset=Equipment.objects.all()),
        required=False,
        default=list,
        max_length=MOST_EQUIPMENT,
        help_text="One table for each kind of these, by procedures that are meant for it; left out: by all procedures.",
    )
    materials = serializers.ListField(
        child=ScopedReference(queryset=Material.objects.all()),
        required=False,
        default=list,
        max_length=MOST_MATERIALS,
        help_text="Between these products only, as those that share the equipment.",
    )
