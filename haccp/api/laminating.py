"""Layers, sheet, slab, pieces and yield of layered sugar. Asked and answered; nothing is stored."""

from collections.abc import Callable, Iterator
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.cautions import BURNS
from config.api.bodies import BodySerializer
from haccp.api.answers import ComputedAnswersSerializer, PositiveText, answered, floats
from haccp.api.registers import NumberText
from haccp.science import laminating
from haccp.science.answers import Answer, exact
from haccp.science.laminating import ARITHMETIC, RULE
from ledger.api.scope import WORKERS, Scoped
from ledger.models import Establishment

MOST_FOLDS = 12  # 531,441 layers and more: far beyond what a slab can hold (site setting, no source)
NO_CONTROL = "Folding and cutting decide texture and yield; they are no control of any hazard."
NO_TRIM = "What was trimmed off is not taken into account."
BORDERS = "Borders are sealed on the three open edges; their width is common practice, no source."
ASKED = {
    "layers": {"folds": ["letter"] * 5, "slab_mm": "12.7"},
    "sheet": {"width_mm": "185", "length_mm": "185", "thickness_mm": "10", "border_mm": "20"},
    "pieces": {
        "length_mm": "300",
        "width_mm": "160",
        "piece_length_mm": "76.2",
        "piece_width_mm": "19.05",
        "blade_mm": "2",
    },
}


class FoldedSerializer(BodySerializer):
    folds = serializers.ListField(
        child=serializers.ChoiceField(choices=sorted(laminating.FOLDS)), min_length=1, max_length=MOST_FOLDS
    )
    slab_mm = PositiveText(required=False, help_text="Thickness of the finished slab.")


class SheetSerializer(BodySerializer):
    """A sheet folded once over a block that lies against the fold."""

    width_mm = PositiveText(help_text="Of the block, as the others.")
    length_mm = PositiveText()
    thickness_mm = PositiveText()
    border_mm = NumberText(help_text="On each of the three open edges; 0 or more.")


class SlabSerializer(BodySerializer):
    volume_mm3 = PositiveText()
    thickness_mm = PositiveText(help_text="To which it is rolled.")
    g_per_cm3 = PositiveText(required=False, help_text="The site's own density; with it the mass is told.")


class FlatSerializer(BodySerializer):
    """A flat cut into whole pieces."""

    length_mm = PositiveText()
    width_mm = PositiveText()
    piece_length_mm = PositiveText(help_text="Along the length of the flat.")
    piece_width_mm = PositiveText()
    blade_mm = NumberText(required=False, help_text="What the blade takes at each cut; 0, if left out.")


class YieldSerializer(BodySerializer):
    good_g = NumberText(help_text="Good pieces; 0 or more.")
    worked_g = PositiveText(help_text="All that was worked.")


@extend_schema_serializer(
    examples=[OpenApiExample("Five letter folds, a sheet, and pieces", ASKED, request_only=True)]
)
class LaminatingSerializer(BodySerializer):
    """At least one part; each is answered by itself."""

    layers = FoldedSerializer(required=False)
    sheet = SheetSerializer(required=False)
    slab = SlabSerializer(required=False)
    pieces = FlatSerializer(required=False)
    mass_yield = YieldSerializer(required=False)

    def validate(self, said: dict[str, Any]) -> dict[str, Any]:
        if not said:
            detail = f"Ask for at least one of: {', '.join(self.fields)}."
            raise serializers.ValidationError({"layers": detail}, code="nothing-asked")
        return said


def _layers(folds: list[str], slab_mm: Any = None) -> Iterator[Answer]:
    made = laminating.layers(folds)
    yield exact(made.filling, "C62", "Filling layers", RULE)
    yield exact(made.sugar, "C62", "Sugar layers", RULE)
    if slab_mm is not None:
        yield laminating.mean_pair(float(slab_mm), made)


def _sheet(**block: Any) -> Iterator[Answer]:
    width, length, thickness, border = floats(block, "width_mm", "length_mm", "thickness_mm", "border_mm")
    sheet = laminating.sheet_over(width, length, thickness, border)
    yield exact(sheet.width_mm, "MMT", "Sheet width", ARITHMETIC, (BORDERS,))
    yield exact(sheet.length_mm, "MMT", "Sheet length", ARITHMETIC, (BORDERS,))
    yield exact(sheet.covered * 100.0, "P1", "Folded area covered by the block", ARITHMETIC)


def _slab(volume_mm3: Any, thickness_mm: Any, g_per_cm3: Any = None) -> Iterator[Answer]:
    area = laminating.slab_area(float(volume_mm3), float(thickness_mm))
    yield exact(area.value, area.unit, area.model, area.source, (NO_TRIM,))
    if g_per_cm3 is not None:
        yield laminating.slab_mass(area.value, float(thickness_mm), float(g_per_cm3))


def _pieces(**said: Any) -> Iterator[Answer]:
    flat = laminating.Flat(**{name: float(value) for name, value in said.items()})
    yield exact(flat.pieces, "C62", "Whole pieces", f"{ARITHMETIC}; no cut after the last piece")
    yield exact(flat.piece_area_mm2, "MMK", "Area of a piece", ARITHMETIC)
    yield exact(flat.yield_share * 100.0, "P1", "Yield of the flat by area", ARITHMETIC)


def _mass_yield(good_g: Any, worked_g: Any) -> Iterator[Answer]:
    share = laminating.mass_yield(float(good_g), float(worked_g))
    yield exact(share * 100.0, "P1", "Yield by mass", "mass balance (definition)")


PARTS: dict[str, Callable[..., Iterator[Answer]]] = {
    "layers": _layers,
    "sheet": _sheet,
    "slab": _slab,
    "pieces": _pieces,
    "mass_yield": _mass_yield,
}


class Laminating(Scoped):
    """Layers by folds, a sheet over a block with borders, a slab's area and mass, whole pieces with blade loss, yield."""

    serializer_class = LaminatingSerializer
    queryset = Establishment.objects.none()
    write_roles = WORKERS

    @extend_schema(request=LaminatingSerializer, responses={200: ComputedAnswersSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        asked: dict[str, Any] = serializer.validated_data
        found = [answer for name, said in asked.items() for answer in PARTS[name](**said)]
        cautions = [str(BURNS), NO_CONTROL]
        return Response({"answers": [answered(each) for each in found], "cautions": cautions})
