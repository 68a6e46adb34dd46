"""What a trace answers over HTTP, for the description of the API; the rows are written by ``trace_json``."""

from rest_framework import serializers

from batches.models import LotStatus
from batches.trace_results import Direction, Side


class AmountText(serializers.CharField):
    """A number of the unit told beside it, as text."""


class TracedLotSerializer(serializers.Serializer):
    """A lot that was reached, and what became of it. Amounts are text in `unit` (UN/ECE Rec 20)."""

    id = serializers.UUIDField()
    code = serializers.CharField()
    material = serializers.UUIDField()
    material_name = serializers.CharField()
    material_kind = serializers.CharField(help_text="As `kind` of the material.")
    is_rework = serializers.BooleanField()
    day = serializers.DateField(help_text="Received or made on.")
    best_before = serializers.DateField(allow_null=True)
    batch = serializers.UUIDField(allow_null=True, help_text="That made it.")
    batch_code = serializers.CharField(allow_blank=True)
    supplier = serializers.UUIDField(allow_null=True)
    supplier_name = serializers.CharField(allow_blank=True)
    supplier_code = serializers.CharField(allow_blank=True)
    status = serializers.ChoiceField(choices=LotStatus.choices)
    unit = serializers.CharField()
    on_hand = AmountText(help_text="What is here now.")
    received = AmountText(help_text="This and the next: in all, not only along the trace.")
    made = AmountText()
    used = AmountText()
    shipped = AmountText()
    returned = AmountText()
    sent_back = AmountText()
    sampled = AmountText()
    destroyed = AmountText()
    unexplained = AmountText(help_text="What counts found more (or, with a minus, less).")
    mass = AmountText(allow_null=True, help_text="Kilograms received or made; null: not known.")
    side = serializers.ChoiceField(
        choices=[each.value for each in Side],
        help_text="maybe-back, maybe-forward, maybe-between: only by a refilled place, so nobody knows whether, and no "
        "share is told. contact: only by shared equipment.",
    )
    generation = serializers.IntegerField(
        help_text="The most steps from a lot the trace began with; 0 by contact or a refilled place only."
    )
    share = serializers.FloatField(
        allow_null=True,
        help_text="The part of this lot's mass that came from the traced lots. 0 does not mean untouched; null: not "
        "forward of them, reached by contact or a refilled place only, or in a loop.",
    )
    part = serializers.FloatField(
        allow_null=True,
        help_text="The part of the traced lots' mass that came from this lot; null: not back of them, or in a loop.",
    )
    share_by_name = serializers.FloatField(
        allow_null=True,
        help_text="How much of `share` rests on a name only: it was taken out of a refilled place, in which other lots lay "
        "too, so that it may be of those. Nobody knows how much is.",
    )
    part_by_name = serializers.FloatField(allow_null=True, help_text="The same of `part`.")
    exact_share = serializers.CharField(allow_null=True, help_text='As a fraction, "3/40", if asked for.')
    exact_part = serializers.CharField(allow_null=True)
    starts = serializers.IntegerField(
        help_text="With how many of the traced lots it is, or may be, connected; 0: by contact only."
    )
    contact = serializers.IntegerField(
        allow_null=True, help_text="Place in `contacts` (from 0) of how it was reached."
    )


class TraceStepSerializer(serializers.Serializer):
    source = serializers.UUIDField()
    target = serializers.UUIDField()
    batch = serializers.UUIDField()
    unit = serializers.CharField()
    quantity = AmountText(help_text="Of the source, in the target.")
    used = AmountText(help_text="Of the source, in the batch, for all that it made.")
    share = serializers.FloatField(help_text="The part of the target's mass that came from the source.")
    exact_share = serializers.CharField(allow_null=True)


class TracedBatchSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    code = serializers.CharField()
    started_at = serializers.DateTimeField()
    ended_at = serializers.DateTimeField(allow_null=True)


class ConsignmentSerializer(serializers.Serializer):
    """One movement between a lot and a partner."""

    movement = serializers.UUIDField()
    what = serializers.ChoiceField(choices=["received", "sent-back", "shipped", "returned"])
    lot = serializers.UUIDField()
    partner = serializers.UUIDField()
    partner_name = serializers.CharField()
    document = serializers.CharField(allow_blank=True)
    at = serializers.DateTimeField()
    unit = serializers.CharField()
    quantity = AmountText()


class InProcessSerializer(serializers.Serializer):
    """Some of a lot in a batch that has made nothing yet."""

    lot = serializers.UUIDField()
    batch = serializers.UUIDField()
    batch_code = serializers.CharField()
    unit = serializers.CharField()
    quantity = AmountText()


class ContactSerializer(serializers.Serializer):
    """How a batch was reached by shared equipment: nothing cleaned it validly in between."""

    equipment = serializers.UUIDField()
    equipment_code = serializers.CharField()
    equipment_name = serializers.CharField()
    left_by = serializers.UUIDField(help_text="The batch that stood there before.")
    left_by_code = serializers.CharField()
    since = serializers.DateTimeField()
    until = serializers.DateTimeField(allow_null=True)
    batch = serializers.UUIDField()
    batch_code = serializers.CharField()
    at = serializers.DateTimeField()
    hazards = serializers.ListField(child=serializers.CharField())


class MixedLotsSerializer(serializers.Serializer):
    """What lay in a place that is topped up before it is empty, from a time on: any of these, in shares nobody knows."""

    number = serializers.IntegerField(help_text="Its own within this trace.")
    place = serializers.UUIDField()
    place_code = serializers.CharField()
    since = serializers.DateTimeField()
    lot = serializers.UUIDField(help_text="That came in then.")
    lots = serializers.ListField(child=serializers.UUIDField(), help_text="That it may be.")
    mixes = serializers.ListField(
        child=serializers.IntegerField(), help_text="Earlier ones, by `number`, that it may be."
    )


class TakenAsSerializer(serializers.Serializer):
    """What was used in a batch, or lies or left anywhere, under the name of a lot, may be anything in the mixes."""

    lot = serializers.UUIDField()
    batch = serializers.UUIDField(allow_null=True, help_text="null: whatever lies or left under that name.")
    batch_code = serializers.CharField(allow_blank=True)
    mixes = serializers.ListField(child=serializers.IntegerField(), help_text="By `number`.")


class SizeSerializer(serializers.Serializer):
    lots = serializers.IntegerField()
    steps = serializers.IntegerField()
    depth = serializers.IntegerField(help_text="The most steps between a lot and one the trace began with.")
    mixes = serializers.IntegerField()
    taken_as = serializers.IntegerField()


class UnfollowedSerializer(serializers.Serializer):
    """What lies behind lots with less than the least share was not followed."""

    least = serializers.FloatField()
    lots = serializers.IntegerField()
    kilograms = AmountText(allow_null=True)


class WhereaboutsSerializer(serializers.Serializer):
    """Kilograms of what is suspect: each lot's share of what became of it. Together they are what came, but for the gap."""

    came = AmountText()
    on_hand = AmountText()
    shipped = AmountText(help_text="Less what came back.")
    sent_back = AmountText()
    sampled = AmountText()
    destroyed = AmountText()
    unexplained = AmountText(help_text="What counts found less (or, with a minus, more).")
    in_process = AmountText(help_text="In batches that have made nothing yet.")
    lost = AmountText(help_text="In batches, and in nothing they made: boiled off, trimmed, left in the pot.")
    by_name = AmountText(
        help_text="Of all this but what was lost: how much rests on a name only, since it lay in a refilled place with other "
        "lots. So much may be elsewhere, under their names."
    )
    gap = AmountText()


class TraceSerializer(serializers.Serializer):
    """A trace, or a page of it: `size` tells the whole, `next` leads on. Nothing is left out unless it is said."""

    direction = serializers.ChoiceField(choices=[each.value for each in Direction])
    starts = serializers.ListField(child=serializers.UUIDField())
    size = SizeSerializer()
    loop = serializers.BooleanField(
        help_text="The genealogy leads in a circle, which must not be: have the records verified."
    )
    in_loop = serializers.IntegerField(
        help_text="Lots in the circle or behind it, of which no share is told."
    )
    unfollowed = UnfollowedSerializer(allow_null=True)
    whereabouts = WhereaboutsSerializer(
        allow_null=True,
        help_text="Of a trace forward or whole that stands on one page; null as well where the mass of a lot is not "
        "known, or in a loop.",
    )
    lots = TracedLotSerializer(many=True)
    steps = TraceStepSerializer(
        many=True, help_text="Each stands on the page of its lot that lies further from the start."
    )
    batches = TracedBatchSerializer(many=True)
    consignments = ConsignmentSerializer(many=True)
    in_process = InProcessSerializer(many=True)
    contacts = ContactSerializer(many=True)
    mixes = MixedLotsSerializer(
        many=True,
        help_text="Lots that lay together in refilled places; each stands on the page of its `lot`.",
    )
    taken_as = TakenAsSerializer(many=True, help_text="Each stands on the page of its `lot`.")
    next = serializers.URLField(allow_null=True)
