"""The rework in a batch over HTTP: by which rules, how much, and what each use of it breaks as things stand."""

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches import rework
from batches.api.batches import BATCHES
from batches.api.sheets import FlagSerializer
from batches.flags import SENTENCES, Flag
from batches.models import Batch, ReworkFrom
from batches.rework_rules import Rules
from ledger.api.scope import Scoped


class RulesSerializer(serializers.Serializer):
    """Never from the floor, from returns or of held lots, whatever else is allowed."""

    materials = serializers.ListField(child=serializers.CharField(), help_text="As the recipe names them.")
    recipes = serializers.ListField(child=serializers.CharField())
    most_permille = serializers.IntegerField(help_text="Of the mass of the batch.")
    most_days = serializers.IntegerField()
    most_generations = serializers.IntegerField()


class ReworkUseSerializer(serializers.Serializer):
    movement = serializers.UUIDField()
    lot = serializers.UUIDField()
    lot_code = serializers.CharField()
    entered = serializers.CharField()
    days = serializers.IntegerField(help_text="From the day the rework was made to the day it was used.")
    generation = serializers.IntegerField(help_text="1: of what had no rework in it.")
    rework_from = serializers.ChoiceField(choices=[*ReworkFrom.values, ""], help_text="Empty: not said.")
    origin_known = serializers.BooleanField(
        help_text="False: it counts as containing everything that its equipment could have left."
    )
    broken = FlagSerializer(many=True)


class BatchReworkSerializer(serializers.Serializer):
    """``rules`` is null where the recipe allows no rework; the share where a mass is not known."""

    rules = RulesSerializer(allow_null=True)
    uses = ReworkUseSerializer(many=True)
    share_permille = serializers.IntegerField(
        allow_null=True, help_text="Of all rework together, rounded up."
    )
    broken = FlagSerializer(many=True, help_text="What the batch as a whole breaks.")


def _flags(found: Any) -> list[dict[str, str]]:
    return [{"code": flag.value, "detail": SENTENCES[flag]} for flag in found]


def _rules(rules: Rules | None) -> dict[str, Any] | None:
    if rules is None:
        return None
    return {
        "materials": list(rules.materials),
        "recipes": list(rules.recipes),
        "most_permille": rules.permille,
        "most_days": rules.days,
        "most_generations": rules.generations,
    }


def _use(looked: rework.Looked) -> dict[str, Any]:
    movement, use = looked.movement, looked.use
    return {
        "movement": movement.pk,
        "lot": movement.lot.uid,
        "lot_code": movement.lot.code,
        "entered": f"{movement.entered} {movement.unit}",
        "days": use.days,
        "generation": use.generation,
        "rework_from": use.came_from,
        "origin_known": use.origin_known,
        "broken": _flags(looked.broken),
    }


def shown(batch: Batch) -> dict[str, Any]:
    rules, uses = rework.rules_of(batch.recipe_version), rework.uses(batch)
    share = rework.share_of(batch)
    flag: Flag | None = None if rules is None or not uses else share.breaks(rules)
    return {
        "rules": _rules(rules),
        "uses": [_use(rework.look(movement)) for movement in uses],
        "share_permille": share.permille,
        "broken": _flags([flag] if flag else []),
    }


class BatchRework(Scoped):
    """All rework that was used in a batch, judged by what is known now."""

    serializer_class = BatchReworkSerializer
    queryset = BATCHES
    lookup_field = "uid"

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(BatchReworkSerializer(shown(self.get_object())).data)
