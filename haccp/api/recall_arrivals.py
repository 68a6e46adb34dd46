"""Recall notices that arrive, what was found, the recall that follows, and the reply, over HTTP."""

from typing import Any

from django.db.models import Exists, OuterRef, Subquery
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.models import Material, TradingPartner
from config.api.examples import ID, PASSWORD, WHEN, example
from haccp.api.recalls import (
    RELATED,
    STRATEGY,
    DecidedSerializer,
    HazardSerializer,
    carried_over,
    proof_of,
)
from haccp.api.series import CsvText
from haccp.models import CameBy, Deviation, Means, NoticeArrived, NoticeReply, Recall
from haccp.recalls import arriving, replying
from haccp.recalls.arriving import Goods
from haccp.recalls.deciding import Strategy
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, Scoped, ScopedReference
from ledger.models import Record

CODE = {"max_length": 60, "required": False}


@example(
    performed_at=WHEN,
    partner=ID,
    supplier=ID,
    came_by="phone",
    came_at="2026-03-02T09:10:00+01:00",
    reference="Their notice 12",
    said="We recall hazelnut kernels with the codes HN-7 and HN-8: Salmonella was found.",
    codes=["HN-7", "HN-8"],
)
class NoticeArrivedSerializer(RecordSerializer):
    partner = ScopedReference(
        queryset=TradingPartner.objects.all(),
        required=False,
        allow_null=True,
        default=None,
        help_text="Who sent it, if a partner.",
    )
    sender = serializers.CharField(
        max_length=200, required=False, help_text="Who sent it, if an authority or another stranger: by name."
    )
    supplier = ScopedReference(
        queryset=TradingPartner.objects.all(),
        required=False,
        allow_null=True,
        default=None,
        help_text="Whose goods are meant.",
    )
    came_by = serializers.ChoiceField(choices=CameBy.choices)
    came_at = serializers.DateTimeField(help_text="When it came; it may have been read later.")
    reference = serializers.CharField(max_length=120, required=False, help_text="Their own number for it.")
    said = serializers.CharField(max_length=20_000, trim_whitespace=False, help_text="Word for word.")
    materials = ScopedReference(
        queryset=Material.objects.all(),
        many=True,
        required=False,
        write_only=True,
        help_text="Which of our materials are meant; all if left out.",
    )
    codes = serializers.ListField(
        child=serializers.CharField(max_length=60),
        required=False,
        write_only=True,
        max_length=500,
        help_text="Supplier's lot codes. They compare letter by letter; one that differs in capitals, spaces or the "
        "marks - . / _ only is a candidate.",
    )
    code_from = serializers.CharField(
        **CODE,
        write_only=True,
        help_text="First code of a range. Letters compare as text, runs of digits as numbers, from the left; what "
        "cannot be compared is a candidate.",
    )
    code_to = serializers.CharField(**CODE, write_only=True)
    received_from = serializers.DateField(required=False, write_only=True)
    received_to = serializers.DateField(required=False, write_only=True)
    best_before_from = serializers.DateField(required=False, write_only=True)
    best_before_to = serializers.DateField(required=False, write_only=True)
    everything = serializers.BooleanField(
        required=False,
        default=False,
        write_only=True,
        help_text="All codes and days of that supplier or material are meant.",
    )
    meant = serializers.DictField(read_only=True)
    found = serializers.ListField(
        child=serializers.DictField(),
        read_only=True,
        help_text="The lots it means, as found when it was taken in; not ``certain``: a candidate.",
    )
    became = serializers.ListField(child=serializers.DictField(), read_only=True)
    consignees = serializers.ListField(child=serializers.DictField(), read_only=True)
    searched = serializers.DictField(read_only=True)
    seal_number = serializers.IntegerField(read_only=True)
    seal_hash = serializers.CharField(read_only=True)
    deviation = serializers.SerializerMethodField(help_text="The case that holds by it; null: nothing found.")
    replied = serializers.SerializerMethodField()

    @extend_schema_field(serializers.UUIDField(allow_null=True))
    def get_deviation(self, notice: NoticeArrived) -> str | None:
        known = getattr(notice, "own_case", None)  # a list asks for all at once; corrected ones are looked up
        if known is None and (notice.corrects_id or not hasattr(notice, "own_case")):
            case = arriving.case_of(notice)
            known = case and case.pk
        return known and str(known)

    def get_replied(self, notice: NoticeArrived) -> bool:
        known: bool | None = getattr(notice, "was_replied", None)
        return notice.replies.exists() if known is None else known


class ArrivalFilters(serializers.Serializer):
    replied = serializers.BooleanField(required=False, default=None, allow_null=True)


class NoticesArrived(RecordView):
    """Recall notices of suppliers and authorities, newest first. What one means is found and held as it is taken in."""

    serializer_class = NoticeArrivedSerializer
    queryset = NoticeArrived.objects.select_related(*RELATED, "partner", "supplier", "corrects")

    def get_queryset(self) -> Any:
        queryset, asked = super().get_queryset(), read_filters(self, ArrivalFilters)
        cases = Deviation.objects.filter(what=Deviation.What.NOTICE, subject=OuterRef("pk"))
        queryset = queryset.annotate(
            own_case=Subquery(cases.order_by("-recorded_at", "-id").values("pk")[:1]),
            was_replied=Exists(NoticeReply.objects.filter(notice=OuterRef("pk"))),
        )
        return queryset if asked.get("replied") is None else queryset.filter(was_replied=asked["replied"])

    @extend_schema(parameters=[ArrivalFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        goods = Goods(
            supplier=values.pop("supplier"),
            materials=values.pop("materials", ()),
            codes=values.pop("codes", ()),
            first=values.pop("code_from", ""),
            last=values.pop("code_to", ""),
            received=(values.pop("received_from", None), values.pop("received_to", None)),
            best_before=(values.pop("best_before_from", None), values.pop("best_before_to", None)),
            everything=values.pop("everything"),
        )
        return arriving.take_in(act=act, goods=goods, **values)


def notice_of(view: Scoped) -> NoticeArrived:
    rows = NoticeArrived.objects.select_related("establishment", "partner")
    return get_object_or_404(rows, establishment=view.establishment, pk=view.kwargs["pk"])


class FiguresSerializer(serializers.Serializer):
    """As the records hold them; ``digest``: SHA-256 over the canonical JSON of lots and consignees."""

    lots = serializers.ListField(child=serializers.DictField())
    consignees = serializers.ListField(child=serializers.DictField())
    digest = serializers.CharField()


class FiguresFilters(serializers.Serializer):
    at = serializers.DateTimeField(required=False, help_text="As it was known at this time; now if left out.")
    consignees = serializers.BooleanField(
        required=False, default=False, help_text="Put in who got some of it."
    )


class NoticeFigures(Scoped):
    """On hand, used in what, shipped, came back, destroyed: of each lot that a notice means, and of what came of it."""

    serializer_class = FiguresSerializer
    queryset = NoticeArrived.objects.all()

    def told(self) -> dict[str, Any]:
        asked = read_filters(self, FiguresFilters)
        return replying.figures(notice_of(self), asked.get("at"), with_consignees=asked["consignees"])

    @extend_schema(parameters=[FiguresFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        told = self.told()
        return Response(told | {"digest": replying.digest(told)})


class NoticeFiguresAsCsv(NoticeFigures):
    """The same as a table, a line for each lot."""

    renderer_classes = [JSONRenderer, CsvText]

    @extend_schema(parameters=[FiguresFilters], responses={(200, "text/csv"): OpenApiTypes.STR})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Any:
        answer = HttpResponse("".join(replying.as_csv(self.told())), content_type="text/csv; charset=utf-8")
        answer["Content-Disposition"] = f'attachment; filename="notice-{self.kwargs["pk"]}.csv"'
        return answer


@example(performed_at=WHEN, means="e-mail", language="en", with_consignees=False)
class NoticeReplySerializer(RecordSerializer):
    means = serializers.ChoiceField(choices=Means.choices)
    language = serializers.ChoiceField(choices=list(replying.LANGUAGES), required=False, default="en")
    to = serializers.CharField(
        max_length=500, required=False, write_only=True, help_text="Address or number."
    )
    with_consignees = serializers.BooleanField(
        required=False, default=False, help_text="Put in who got some of it."
    )
    figures_at = serializers.DateTimeField(
        required=False, help_text="As it was known at this time; now if left out."
    )
    figures = serializers.DictField(read_only=True)
    figures_digest = serializers.CharField(read_only=True)


class NoticeReplies(RecordView):
    """What was told to the sender of a notice. As a letter: ask for a document of kind notice-reply about it."""

    serializer_class = NoticeReplySerializer
    queryset = NoticeReply.objects.select_related(*RELATED)

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        return (
            queryset if getattr(self, "swagger_fake_view", False) else queryset.filter(notice=notice_of(self))
        )

    def deed(self, act: Act, **values: Any) -> Record:
        return replying.reply(act=act, notice=notice_of(self), **values)


@example(
    performed_at=WHEN,
    hazard="microbiological",
    because="The supplier found Salmonella in nuts that went into what we sold.",
    determined_at="2026-03-02T09:10:00+01:00",
    strategy=STRATEGY,
    password=PASSWORD,
)
class RecallOfNoticeSerializer(DecidedSerializer):
    carried_over = HazardSerializer(
        required=False,
        write_only=True,
        help_text="Widen the scope by shared equipment, as far as this may have been carried over.",
    )
    is_exercise = serializers.BooleanField(read_only=True)
    deviation = ScopedReference(read_only=True)


class NoticeRecalls(RecordView):
    """Recalls that were decided because of a notice: under its case, the scope begun with the lots that it holds."""

    serializer_class = RecallOfNoticeSerializer
    queryset = Recall.objects.select_related(*RELATED, "deviation")
    write_roles = DECIDERS

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        subject = notice_of(self).pk
        return queryset.filter(deviation__what=Deviation.What.NOTICE, deviation__subject=subject)

    def deed(self, act: Act, **values: Any) -> Record:
        notice, strategy = notice_of(self), Strategy(**values.pop("strategy"))
        proof = proof_of(self, act, values)
        values["spread"] = carried_over(self.establishment, values.pop("carried_over", {}), "carried_over")
        return arriving.recall(act=act, proof=proof, notice=notice, strategy=strategy, **values)
