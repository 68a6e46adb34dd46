"""Who was told of a recall, and what they answer."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from batches.api.amounts import AsEntered
from batches.api.movements import UNIT_HELP
from batches.models import Lot, TradingPartner, WebOrder
from config.api.bodies import BodySerializer
from config.api.examples import ID, WHEN, example
from haccp.api.recalls import RELATED, OfRecall
from haccp.models import Means, NoticePublished, RecallAnswer, RecallNotice
from haccp.recalls import answering, noticing
from haccp.recalls.answering import SENTENCES, Odd
from ledger.acts import Act
from ledger.api.records import RecordSerializer
from ledger.api.scope import WORKERS, ScopedReference
from ledger.models import Record


def _buyer(told: str) -> ScopedReference:
    return ScopedReference(
        queryset=WebOrder.objects.all(), required=False, allow_null=True, default=None, help_text=told
    )


@example(
    performed_at=WHEN,
    partner=ID,
    means="e-mail",
    language="en",
    why="It may contain almond, which the label does not say.",
)
class RecallNoticeSerializer(RecordSerializer):
    partner = ScopedReference(
        queryset=TradingPartner.objects.all(), required=False, allow_null=True, default=None
    )
    order = _buyer("The web order whose buyer is told; their address is looked up as it is sent.")
    means = serializers.ChoiceField(choices=Means.choices)
    language = serializers.ChoiceField(choices=list(noticing.LANGUAGES), required=False, default="en")
    why = serializers.CharField(
        max_length=1000, help_text="In your own words, in the language of the notice; it names no person."
    )
    to = serializers.CharField(
        max_length=500,
        required=False,
        write_only=True,
        help_text="Their own address if left out.",
    )
    subject = serializers.CharField(read_only=True)
    text = serializers.CharField(read_only=True)
    lots = serializers.ListField(child=serializers.UUIDField(), read_only=True, help_text="Those it names.")
    mailed_at = serializers.SerializerMethodField(
        help_text="Of an e-mail: when it left; null: not yet, or none."
    )

    @extend_schema_field(serializers.DateTimeField(allow_null=True))
    def get_mailed_at(self, notice: RecallNotice) -> Any:
        mail = getattr(notice, "mail", None)
        return mail.sent_at if mail else None


class RecallNotices(OfRecall):
    """Who was told, how, and what: the text as it stood. E-mail is sent by the service; of an exercise never outside."""

    serializer_class = RecallNoticeSerializer
    queryset = RecallNotice.objects.select_related(*RELATED, "mail")

    def deed(self, act: Act, **values: Any) -> Record:
        return noticing.tell(act=act, recall=self.recall, **values)


@example(performed_at=WHEN, notice=ID, where="Board at the market, our web page, The Seeborn Herald")
class PublishedSerializer(RecordSerializer):
    notice = ScopedReference(queryset=RecallNotice.objects.all(), help_text="A public notice of this recall.")
    where = serializers.CharField(max_length=1000)


class NoticesPublished(OfRecall):
    """Where and when public notices were published. That tells buyers whom nobody names; an exercise publishes nothing."""

    serializer_class = PublishedSerializer
    queryset = NoticePublished.objects.select_related(*RELATED)

    def get_queryset(self) -> Any:
        queryset = super(OfRecall, self).get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(notice__recall=self.recall)

    def deed(self, act: Act, **values: Any) -> Record:
        return noticing.publish(act=act, recall=self.recall, **values)


class AnsweredLotSerializer(BodySerializer):
    lot = ScopedReference(queryset=Lot.objects.select_related("material"), slug="uid")
    unit = serializers.CharField(max_length=3, help_text=UNIT_HELP)
    received = AsEntered(required=False)
    on_hand = AsEntered(required=False)
    sold = AsEntered(required=False)
    returned = AsEntered(required=False)
    destroyed = AsEntered(required=False)


@example(
    performed_at=WHEN,
    partner=ID,
    means="phone",
    lots=[{"lot": ID, "unit": "H87", "received": "48", "on_hand": "20", "sold": "28"}],
    passed_on=False,
)
class RecallAnswerSerializer(RecordSerializer):
    partner = ScopedReference(
        queryset=TradingPartner.objects.all(), required=False, allow_null=True, default=None
    )
    order = _buyer("The web order whose buyer answered, in place of a partner.")
    means = serializers.ChoiceField(choices=Means.choices)
    lots = AnsweredLotSerializer(many=True, write_only=True)
    said = serializers.ListField(child=serializers.DictField(), source="lots", read_only=True)
    passed_on = serializers.BooleanField(
        required=False, allow_null=True, default=None, help_text="Whether they told those they sold to."
    )
    flags = serializers.SerializerMethodField()

    @extend_schema_field(serializers.ListField(child=serializers.DictField()))
    def get_flags(self, answer: RecallAnswer) -> list[dict[str, str]]:
        return [{"code": code, "detail": SENTENCES[Odd(code)]} for code in answer.flags]


class RecallAnswers(OfRecall):
    """What partners answer. It is taken from whomever it comes, also after the end; what does not fit is flagged."""

    serializer_class = RecallAnswerSerializer
    queryset = RecallAnswer.objects.select_related(*RELATED, "partner")
    write_roles = WORKERS

    def deed(self, act: Act, **values: Any) -> Record:
        return answering.answer(act=act, recall=self.recall, **values)
