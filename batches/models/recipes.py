"""What is made of what."""

from django.db import models
from django.db.models import Q

from batches.models.places import Reference
from ledger.models import BASE_1, Kept, Record, digits_or_empty


class MaterialKind(models.TextChoices):
    INGREDIENT = "ingredient", "ingredient"
    PACKAGING = "packaging", "packaging"
    PROCESSING_AID = "processing-aid", "processing aid"
    INTERMEDIATE = "intermediate", "intermediate"
    FINISHED = "finished-product", "finished product"


class Dimension(models.TextChoices):
    MASS = "mass", "mass"
    COUNT = "count", "count"


class Material(Reference):
    """Something that comes in lots. Quantities are whole milligrams (mass) or whole pieces (count).

    ``lot_code_pattern``: empty = the usual one (short name, two-digit year, day of year, running number).
    ``piece_mass_mg``: of one piece, where it is counted; lets a mass balance be closed over packing.
    """

    kind = models.CharField(max_length=20, choices=MaterialKind.choices)
    dimension = models.CharField(max_length=5, choices=Dimension.choices, default=Dimension.MASS)
    short_name = models.CharField(max_length=6)
    piece_mass_mg = models.BigIntegerField(null=True, blank=True)
    shelf_life_days = models.PositiveIntegerField(null=True, blank=True)
    lot_code_pattern = models.CharField(max_length=60, blank=True)
    gtin = models.CharField(max_length=14, blank=True)

    class Meta(Reference.Meta):
        constraints = [
            *Reference.Meta.constraints,
            models.CheckConstraint(name="material_kind_is_known", condition=Q(kind__in=MaterialKind.values)),
            models.CheckConstraint(
                name="material_dimension_is_known", condition=Q(dimension__in=Dimension.values)
            ),
            models.CheckConstraint(
                name="material_piece_has_mass",
                condition=Q(piece_mass_mg__isnull=True) | Q(piece_mass_mg__gt=0),
            ),
            models.CheckConstraint(
                name="material_gtin_is_fourteen_digits", condition=digits_or_empty("gtin", 14)
            ),
        ]


class Recipe(Reference):
    """A recipe and its draft. ``draft`` is one document that ``batches.recipes`` reads and checks."""

    material = models.ForeignKey(Material, models.PROTECT, related_name="recipes")
    draft = models.JSONField(default=dict, blank=True)


class RecipeVersion(Record):
    """A recipe as it was approved. Its document never changes; quantities enter the digest salted."""

    kind = "batches.recipe-version"

    recipe = models.ForeignKey(Recipe, models.PROTECT, related_name="versions")
    material = models.ForeignKey(Material, models.PROTECT, related_name="+")
    number = models.PositiveIntegerField()
    document = models.JSONField()

    own_fields = ("recipe", "material", "number", "document")
    client_fields = ("recipe",)  # the document is the draft as it stood; the client does not send it again
    confidential = frozenset({"document"})
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="recipe_versions_are_numbered_once", fields=["recipe", "number"]),
            models.CheckConstraint(
                name="a_recipe_version_is_superseded_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]


class RecipeLine(Kept):
    """One input of an approved recipe, in base steps of its material for the recipe's own batch size.

    How far a weighing may lie from its target is per mille of the target, or base steps that stay the same in
    a batch of any size.
    """

    part_of = "version"

    version = models.ForeignKey(RecipeVersion, models.PROTECT, related_name="lines")
    position = models.PositiveSmallIntegerField()
    material = models.ForeignKey(Material, models.PROTECT, related_name="+")
    amount = models.BigIntegerField()
    tolerance_permille = models.PositiveIntegerField(null=True, blank=True)
    tolerance_amount = models.BigIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["version", "position"]
        constraints = [
            models.UniqueConstraint(name="recipe_lines_are_numbered_once", fields=["version", "position"]),
            models.CheckConstraint(name="recipe_line_amount_is_positive", condition=Q(amount__gt=0)),
            models.CheckConstraint(
                name="recipe_line_has_one_tolerance",
                condition=Q(tolerance_permille__isnull=False, tolerance_amount__isnull=True)
                | Q(tolerance_permille__isnull=True, tolerance_amount__isnull=False, tolerance_amount__gte=0),
            ),
        ]


class RecipeReworkSource(Kept):
    """Whose rework an approved recipe allows: of a material, or of what a recipe makes."""

    part_of = "version"

    version = models.ForeignKey(RecipeVersion, models.PROTECT, related_name="rework_sources")
    material = models.ForeignKey(Material, models.PROTECT, null=True, blank=True, related_name="+")
    recipe = models.ForeignKey(Recipe, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                name="rework_of_a_material_is_named_once", fields=["version", "material"]
            ),
            models.UniqueConstraint(name="rework_of_a_recipe_is_named_once", fields=["version", "recipe"]),
            models.CheckConstraint(
                name="rework_source_is_one_thing",
                condition=Q(material__isnull=False, recipe__isnull=True)
                | Q(material__isnull=True, recipe__isnull=False),
            ),
        ]
