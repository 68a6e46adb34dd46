"""What is in a lot or is going to be by a recipe: contained, possible, unknown, each with its path."""

from collections.abc import Iterable, Mapping
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.recipes import RecipeView
from batches.models import Lot, RecipeVersion
from batches.quantities import plain_text
from haccp.allergens import content, lists
from haccp.allergens.content import CAUTION, Because, Content, OnTheWay, Path
from haccp.allergens.spread import Band
from haccp.allergens.vocabulary import Vocabulary
from haccp.models import UNCONFIRMED
from ledger.acts import Moment
from ledger.api.scope import Scoped
from ledger.models import Establishment


class MixedInSerializer(serializers.Serializer):
    """A refilled place in which it was mixed, and so went on."""

    place = serializers.UUIDField()
    place_code = serializers.CharField()
    since = serializers.DateTimeField(help_text="Since when it lay there.")
    taken_as = serializers.CharField(help_text="The lot by whose name it may have been taken out.")


class OnTheWaySerializer(serializers.Serializer):
    id = serializers.UUIDField(
        help_text="Of the lot; of a material, where a recipe is asked, or a line of one."
    )
    code = serializers.CharField()
    mixed_in = MixedInSerializer(allow_null=True, help_text="null: it went on by its own name.")


class AllergenPathSerializer(serializers.Serializer):
    """An allergen and the shortest way it came: from where it was stated to what was asked, which stands last."""

    allergen = serializers.CharField()
    name = serializers.CharField(help_text="In the words of the list.")
    path = OnTheWaySerializer(many=True)
    statements = serializers.ListField(
        child=serializers.UUIDField(), help_text="The records that say so of the first."
    )
    note = serializers.CharField(
        help_text="What else is to be known: stated as exempt, and listed elsewhere."
    )


class PossibleSerializer(AllergenPathSerializer):
    by_contact = serializers.BooleanField(help_text="false: by a supplier's word, or by a line of a recipe.")
    batch = serializers.UUIDField(
        allow_null=True, help_text="The batch that left it, or that records no use of a line of its recipe."
    )
    batch_code = serializers.CharField()
    equipment = serializers.UUIDField(allow_null=True)
    equipment_code = serializers.CharField()
    sentence = serializers.CharField()


class AmountBandSerializer(serializers.Serializer):
    """Between which bounds, in mg/kg; null: not known. Counted as enough where it is not known."""

    allergen = serializers.CharField()
    low = serializers.CharField()
    high = serializers.CharField(allow_null=True)


class ContentSerializer(serializers.Serializer):
    """What is in it, by the records as they stand now. What is unknown is not absent."""

    contains = AllergenPathSerializer(many=True)
    may_contain = PossibleSerializer(many=True)
    unknown = AllergenPathSerializer(many=True, help_text="Nobody stated it for the first on the path.")
    unknown_by_contact = PossibleSerializer(
        many=True, help_text="Nobody stated it for what was on the same equipment."
    )
    exempt = AllergenPathSerializer(
        many=True,
        help_text="Made of it, and left out by the law the statement names; every list in force knows that.",
    )
    below = AllergenPathSerializer(many=True, help_text="There, but less than any list in force asks for.")
    unlisted = AllergenPathSerializer(many=True, help_text="There, and on no list in force that day.")
    amounts = AmountBandSerializer(many=True, help_text="Of what is counted by amount, such as sulphites.")
    lists = serializers.ListField(child=serializers.CharField(), help_text="Whose lists, and how they stand.")
    caution = serializers.CharField()


def shown(found: Content, vocabulary: Vocabulary) -> dict[str, Any]:
    return {
        "contains": _paths(found.contains, vocabulary),
        "may_contain": [_possible(code, found.may[code], vocabulary) for code in sorted(found.may)],
        "unknown": _paths(found.unstated, vocabulary),
        "unknown_by_contact": [
            _possible(code, found.unknown_by_contact[code], vocabulary)
            for code in sorted(found.unknown_by_contact)
        ],
        "exempt": _paths(found.exempt, vocabulary),
        "below": _paths(found.below, vocabulary),
        "unlisted": _paths(found.unlisted, vocabulary),
        "amounts": [_amount(code, found.amounts[code]) for code in sorted(found.amounts)],
        "lists": list(_lists(vocabulary)),
        "caution": CAUTION,
    }


def _paths(found: Mapping[str, Path], vocabulary: Vocabulary) -> list[dict[str, Any]]:
    return [_path(code, found[code], vocabulary) for code in sorted(found)]


def _path(code: str, path: Path, vocabulary: Vocabulary) -> dict[str, Any]:
    return {
        "allergen": code,
        "name": vocabulary.name(code),
        "path": [_step(step) for step in path.steps],
        "statements": [str(pk) for pk in path.statements],
        "note": path.note.removeprefix(", "),
    }


def _step(step: OnTheWay) -> dict[str, Any]:
    mixed = step.mixed_in
    told = mixed and {
        "place": str(mixed.place),
        "place_code": mixed.place_code,
        "since": mixed.since.isoformat(),
        "taken_as": mixed.taken_as,
    }
    return {"id": str(step.uid), "code": step.code, "mixed_in": told}


def _possible(code: str, because: Because, vocabulary: Vocabulary) -> dict[str, Any]:
    return _path(code, because.path, vocabulary) | {
        "by_contact": because.by_contact,
        "batch": None if because.batch_uid is None else str(because.batch_uid),
        "batch_code": because.batch,
        "equipment": None if because.equipment_id is None else str(because.equipment_id),
        "equipment_code": because.equipment,
        "sentence": f"{vocabulary.name(code)}: {because}.",
    }


def _amount(code: str, band: Band) -> dict[str, Any]:
    high = None if band.high is None else plain_text(round(band.high, 3))
    return {"allergen": code, "low": plain_text(round(band.low, 3)), "high": high}


def _lists(vocabulary: Vocabulary) -> Iterable[str]:
    for each in vocabulary.lists:
        yield f"{each.jurisdiction}: {'confirmed' if each.confirmed else UNCONFIRMED}"
    if vocabulary.shipped:
        yield "The house has brought in no list; those that ship stand in for it."


def _known(establishment: Establishment, found: Content) -> dict[str, Any]:
    return shown(found, lists.vocabulary(establishment))


class LotAllergens(Scoped):
    """What is in a lot by its genealogy, what may be in it, by contact too, and what nobody stated."""

    serializer_class = ContentSerializer
    queryset = Lot.objects.all()
    lookup_field = "uid"

    @extend_schema(responses={200: ContentSerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        lot = self.get_object()
        return Response(_known(self.establishment, content.of_lots(self.establishment, [lot])[lot.pk]))


class RecipeAllergens(RecipeView):
    """What a product is going to contain by an approved recipe, by what is stated of its materials today.

    Nothing is told of contact: that depends on where, and after what, it is made.
    """

    serializer_class = ContentSerializer
    queryset = RecipeVersion.objects.select_related("material", "establishment")

    @extend_schema(responses={200: ContentSerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        today = Moment.now(self.establishment).local.date()
        return Response(_known(self.establishment, content.of_recipe(self.get_object(), today)))
