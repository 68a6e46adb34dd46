"""Forgetting the buyer of a web order before the time is over."""

from typing import Any

from rest_framework import serializers

from batches.models import BuyerForgotten, WebOrder
from config.api.examples import ID, WHEN, example
from haccp import buyers
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, ScopedReference
from ledger.models import Record


@example(performed_at=WHEN, order=ID, because="The buyer asked for it.")
class ForgottenSerializer(RecordSerializer):
    order = ScopedReference(queryset=WebOrder.objects.all())
    because = serializers.CharField(max_length=1000, help_text="It names nobody: this stays.")


class BuyersForgotten(RecordView):
    """Whose buyers were forgotten, and why. Before their time only by a lead, and never while a recall or hold needs them."""

    serializer_class = ForgottenSerializer
    queryset = BuyerForgotten.objects.select_related("establishment", "performed_by", "order")
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        return buyers.forget(act=act, **values)
