"""The history of a control point over HTTP: as data, and as a picture."""

from datetime import datetime
from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from haccp import drawing, histories
from haccp.api.registers import NumberText
from haccp.charting import A_WARNING, CONFIDENCE, LEAST, NAMES, RULES, Asked, Charted
from haccp.histories import MOST, History, Period
from haccp.history_plots import plot_of
from haccp.models import ControlPoint
from haccp.readings import LONGEST
from haccp.science.charts import CONSTANTS, Series
from ledger.api.scope import Scoped

OF_PERIOD = {"from": "first", "to": "last_day", "last": "last"}
NUMBERS = ("confidence", "target", "sigma", "weight", "width", "slack", "decision")


def given(of: str, what: str) -> NumberText:
    return NumberText(required=False, help_text=f"{of}: {what}, in the unit of the limit where it has one.")


class HistoryFilters(serializers.Serializer):
    """What is asked of a history. A chart takes only its own parameters; one it does not take is refused."""

    quantity = serializers.CharField(max_length=LONGEST, help_text="As the plan names it.")
    to = serializers.DateField(required=False, help_text="Last local day.")
    last = serializers.IntegerField(
        required=False,
        min_value=1,
        max_value=MOST,
        help_text=f"Or the newest checks; {MOST} if nothing is said.",
    )
    chart = serializers.ChoiceField(choices=list(NAMES), default="individuals")
    rules = serializers.ChoiceField(
        choices=list(RULES),
        required=False,
        help_text="Of individuals and xbar-r; western-electric if not said.",
    )
    baseline = serializers.IntegerField(
        required=False,
        min_value=LEAST,
        max_value=MOST,
        help_text="Limits from the first so many points; from all if no baseline is named.",
    )
    baseline_from = serializers.DateField(required=False, help_text="Or from those of these local days.")
    baseline_to = serializers.DateField(required=False)
    confidence = NumberText(
        required=False, help_text=f"Of the intervals of Cp and Cpk; {CONFIDENCE} if not said."
    )
    subgroup_size = serializers.IntegerField(
        required=False,
        min_value=min(CONSTANTS),
        max_value=max(CONSTANTS),
        help_text="xbar-r: readings a batch has; batches with another number are left out.",
    )
    target = given("ewma, cusum", "what the process aims at")
    sigma = given("ewma", "the standard deviation of single readings")
    weight = given("ewma", "of the newest reading, above 0 to 1")
    width = given("ewma", "of the limits, in standard deviations of the average")
    slack = given("cusum", "k, how far from the target counts for nothing")
    decision = given("cusum", "h, the sum that signals")

    def get_fields(self) -> dict[str, serializers.Field]:
        """``from`` is no name that Python lets a class use."""
        return {
            "from": serializers.DateField(required=False, help_text="First local day.")
        } | super().get_fields()


@extend_schema_field(OpenApiTypes.DATETIME)
class LocalTime(serializers.Field):
    """A local time with its offset."""

    def to_representation(self, value: datetime) -> str:
        return value.isoformat()


class BoundSerializer(serializers.Serializer):
    value = NumberText()
    inclusive = serializers.BooleanField()
    source = serializers.CharField(help_text="plan, or the local rule.")


class MeasuredSerializer(serializers.Serializer):
    """One reading: as entered, in the unit of the limit, and the result and bounds as they were recorded."""

    check = serializers.UUIDField()
    at = LocalTime()
    batch = serializers.CharField(allow_blank=True)
    lot = serializers.CharField(allow_blank=True)
    instrument = serializers.CharField(allow_blank=True)
    value = NumberText()
    entered = serializers.CharField()
    entered_unit = serializers.CharField()
    result = serializers.CharField(help_text="within, outside or undecided.")
    must = serializers.CharField()
    lower = BoundSerializer(allow_null=True)
    upper = BoundSerializer(allow_null=True)


class ApartSerializer(serializers.Serializer):
    why = serializers.ChoiceField(choices=list(histories.APART))
    count = serializers.IntegerField()
    sentence = serializers.CharField()


class ChartPointSerializer(serializers.Serializer):
    at = LocalTime()
    batch = serializers.CharField(allow_blank=True)
    checks = serializers.ListField(child=serializers.UUIDField())
    value = serializers.FloatField()
    lower = serializers.FloatField()
    upper = serializers.FloatField()


class SeriesSerializer(serializers.Serializer):
    name = serializers.CharField()
    centre = serializers.FloatField()
    points = ChartPointSerializer(many=True)


class SignalSerializer(serializers.Serializer):
    """A warning to look. ``number``: of its point in the picture."""

    number = serializers.IntegerField()
    at = LocalTime()
    batch = serializers.CharField(allow_blank=True)
    checks = serializers.ListField(child=serializers.UUIDField())
    series = serializers.CharField()
    rule = serializers.CharField(help_text="For programs: WE1 to WE4, N1 to N8, or limit.")
    sentence = serializers.CharField()


class IndexSerializer(serializers.Serializer):
    """A capability index and its confidence interval."""

    value = serializers.FloatField()
    low = serializers.FloatField()
    high = serializers.FloatField()
    source = serializers.CharField()


class CapabilitySerializer(serializers.Serializer):
    cp = IndexSerializer(allow_null=True)
    cpk = IndexSerializer()


class ChartedSerializer(serializers.Serializer):
    """The chart. ``series`` is empty where it cannot be computed; ``cannot`` says why."""

    kind = serializers.ChoiceField(choices=list(NAMES))
    cannot = serializers.CharField(allow_blank=True)
    basis = serializers.CharField(help_text="What the limits were made from.")
    sigma = serializers.FloatField(source="chart.sigma", default=None, allow_null=True)
    series = serializers.SerializerMethodField()
    signals = serializers.SerializerMethodField()
    warning = serializers.SerializerMethodField(help_text="What a signal is, and is not.")
    next = serializers.CharField(help_text="What to look at now.")
    capability = CapabilitySerializer(allow_null=True)
    confidence = serializers.FloatField()
    capable = serializers.CharField(help_text="What Cp and Cpk rest on, or why there are none.")
    left_out = serializers.ListField(child=serializers.CharField())

    @extend_schema_field(SeriesSerializer(many=True))
    def get_series(self, charted: Charted) -> list[dict[str, Any]]:
        drawn = charted.chart.series if charted.chart else ()
        return [_series(charted, each) for each in drawn]

    @extend_schema_field(SignalSerializer(many=True))
    def get_signals(self, charted: Charted) -> list[dict[str, Any]]:
        return [
            {"number": each.number}
            | _spot(charted, each.place)
            | {"series": each.series, "rule": each.rule, "sentence": each.sentence}
            for each in charted.signals
        ]

    def get_warning(self, charted: Charted) -> str:
        return A_WARNING


def _series(charted: Charted, series: Series) -> dict[str, Any]:
    start = charted.offset(series)
    ends = zip(series.values, series.limits.lower, series.limits.upper, strict=True)
    points = [
        _spot(charted, start + at) | {"value": value, "lower": lower, "upper": upper}
        for at, (value, lower, upper) in enumerate(ends)
    ]
    return {"name": series.name, "centre": series.limits.centre, "points": points}


def _spot(charted: Charted, place: int) -> dict[str, Any]:
    spot = charted.spots[place]
    checks = [str(reading.check) for reading in spot.readings]
    return {"at": spot.at.isoformat(), "batch": spot.batch, "checks": checks}


class HistorySerializer(serializers.Serializer):
    """What was read at a control point. Readings are text, digit for digit; what was computed is a number."""

    code = serializers.CharField()
    name = serializers.CharField()
    quantity = serializers.CharField()
    unit = serializers.CharField(allow_blank=True, help_text="UN/ECE Rec 20; empty where the limit has none.")
    symbol = serializers.CharField(allow_blank=True)
    time_zone = serializers.CharField(source="zone")
    period = serializers.CharField()
    readings = MeasuredSerializer(many=True)
    apart = ApartSerializer(many=True, help_text="Readings that are no plain number.")
    notes = serializers.ListField(child=serializers.CharField())
    chart = ChartedSerializer(source="charted")


class ControlPointHistory(Scoped):
    """Every standing reading of one quantity at a control point, over all versions of its plan, and its chart.

    A signal is a warning for the food-safety lead. It opens no deviation.
    """

    queryset = ControlPoint.objects.all()
    serializer_class = HistorySerializer
    pagination_class = None

    @extend_schema(parameters=[HistoryFilters], responses={200: HistorySerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.history()).data)

    def history(self) -> History:
        points = histories.control_points(self.establishment, self.kwargs["code"])
        said = read_filters(self, HistoryFilters)
        quantity = said.pop("quantity")
        period = Period(**{name: said.pop(sent) for sent, name in OF_PERIOD.items() if sent in said})
        numbers = {name: float(said.pop(name)) for name in NUMBERS if name in said}
        return histories.history(points, quantity, period, Asked(**said, **numbers))


class SvgPicture(BaseRenderer):
    """Lets ``Accept: image/svg+xml`` through; the view itself writes the text."""

    media_type = "image/svg+xml"
    format = "svg"


class ControlPointPicture(ControlPointHistory):
    """The same history as a picture (SVG), told in its title and description as well."""

    renderer_classes = [JSONRenderer, SvgPicture]

    @extend_schema(parameters=[HistoryFilters], responses={(200, "image/svg+xml"): OpenApiTypes.STR})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:  # type: ignore[override]
        answer = HttpResponse(
            drawing.svg(plot_of(self.history())), content_type="image/svg+xml; charset=utf-8"
        )
        answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
        return answer
