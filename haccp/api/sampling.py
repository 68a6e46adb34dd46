"""What a sampling plan finds: the chance that a lot is accepted. Asked and answered; nothing is stored."""

from collections.abc import Iterator
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.bodies import BodySerializer
from haccp.api.answers import ComputedAnswersSerializer, ShareText, answered
from haccp.science import sampling
from haccp.science.answers import Answer
from ledger.api.scope import WORKERS, Scoped
from ledger.models import Establishment

MOST_SAMPLES, LARGEST_LOT = 1000, 10_000  # so that it is answered at once (site setting, no source)
PLACES = 6
CAUTION = "A sample finds what is rare only by luck. One without a finding is no release: control the hazard before it."
ASKED = {"n": 60, "c": 0, "bad_share": "0.05", "confidence": "0.95"}
ASKED_LOT = {"n": 10, "c": 0, "lot": 500, "bad": 25}


@extend_schema_serializer(
    examples=[
        OpenApiExample("Sixty samples of a very large lot", ASKED, request_only=True),
        OpenApiExample("Ten samples of five hundred packs", ASKED_LOT, request_only=True),
    ]
)
class SamplingPlanSerializer(BodySerializer):
    """Accepted with at most c bad units of n. A very large lot: shares of it; a lot of counted units: whole numbers.

    With marginal units it is three-class: none bad, at most c marginal.
    """

    n = serializers.IntegerField(min_value=1, max_value=MOST_SAMPLES)
    c = serializers.IntegerField(min_value=0, max_value=MOST_SAMPLES)
    bad_share = ShareText(required=False, help_text="Of a very large lot, from 0 to 1.")
    marginal_share = ShareText(required=False, help_text="Between m and M, with bad_share above M.")
    lot = serializers.IntegerField(required=False, min_value=1, max_value=LARGEST_LOT)
    bad = serializers.IntegerField(required=False, min_value=0, max_value=LARGEST_LOT)
    marginal = serializers.IntegerField(required=False, min_value=0, max_value=LARGEST_LOT)
    confidence = ShareText(
        required=False,
        help_text="With it, how many samples find at least one bad unit so surely; c is 0 then.",
    )

    def validate(self, said: dict[str, Any]) -> dict[str, Any]:
        of_shares, of_units = (
            {"bad_share", "marginal_share"} & set(said),
            {"lot", "bad", "marginal"} & set(said),
        )
        if bool(of_shares) == bool(of_units):
            detail = "Give a share of a very large lot (bad_share), or the units of a lot (lot and bad)."
            raise serializers.ValidationError({"bad_share": detail}, code="one-way-to-say-it")
        for name in ("bad_share",) if of_shares else ("lot", "bad"):
            if name not in said:
                raise serializers.ValidationError({name: "This is needed too."}, code="missing")
        _refuse_shares(said)
        return said


def _refuse_shares(said: dict[str, Any]) -> None:
    bad, marginal = said.get("bad_share"), said.get("marginal_share", 0)
    if bad is not None and bad + marginal > 1:
        detail = "Marginal and bad units are more than all."
        raise serializers.ValidationError({"marginal_share": detail}, code="out-of-range")
    if "confidence" in said and bad is not None and not 0 < bad < 1:
        detail = "Where none or all are bad, no number of samples finds one more surely."
        raise serializers.ValidationError({"bad_share": detail}, code="out-of-range")


def _answers(said: dict[str, Any]) -> Iterator[Answer]:
    n, c = said["n"], said["c"]
    if "lot" in said:
        lot, bad = said["lot"], said["bad"]
        if "marginal" in said:
            yield sampling.three_class_lot(n, c, lot, said["marginal"], bad)
        else:
            yield sampling.two_class_lot(n, c, lot, bad)
        if "confidence" in said:
            yield sampling.samples_needed_lot(lot, bad, float(said["confidence"]))
        return
    bad_share = float(said["bad_share"])
    if "marginal_share" in said:
        yield sampling.three_class(n, c, float(said["marginal_share"]), bad_share)
    else:
        yield sampling.two_class(n, c, bad_share)
    if "confidence" in said:
        yield sampling.samples_needed(bad_share, float(said["confidence"]))


class SamplingPlans(Scoped):
    """The chance that a lot is accepted, exactly: binomial for a very large lot, hypergeometric for counted units."""

    serializer_class = SamplingPlanSerializer
    queryset = Establishment.objects.none()
    write_roles = WORKERS

    @extend_schema(request=SamplingPlanSerializer, responses={200: ComputedAnswersSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        found = [answered(each, PLACES) for each in _answers(serializer.validated_data)]
        return Response({"answers": found, "cautions": [CAUTION]})
