"""The allergen and label sheet of a product: what is stated of its ingredients, what follows for it and its lots, and its
labels. Derived anew each time; what no document states is unknown, never absent."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.models import Lot, Material, RecipeLine, RecipeVersion
from config.api.refusals import Unknown
from haccp.allergens import content, lists
from haccp.allergens.content import CAUTION, Because, Content, Path
from haccp.allergens.vocabulary import Vocabulary
from haccp.labels import recipe_lists, versions
from haccp.labels.signs import printed
from haccp.models import AllergenStatement, ContactAssessment, LabelVersion
from ledger.models import Establishment
from reports import tables
from reports.documents import Column, RecordLine, SignatureLine, standing_cautions
from reports.listing import Listing, Section, spoken
from reports.signed import signatures_on
from reports.tables import Table

TITLE = gettext_lazy("allergen and label sheet")
FORMS = tables.FORMS
MOST_LOTS = 50
"""Lots told of, the newest on hand (a site setting, no source)."""
SAYS = {
    "contains": gettext_lazy("contains"),
    "may-contain": gettext_lazy("may contain"),
    "free-of": gettext_lazy("stated to be free of"),
    "exempt": gettext_lazy("exempt"),
}


@dataclass(frozen=True, kw_only=True)
class StatementLine(RecordLine):
    """What a document says of an ingredient: of any supplier's and every lot, unless one is named."""

    material: str
    supplier: str
    lot: str
    says: tuple[str, ...]
    document: str
    document_day: date
    in_force_from: date

    @property
    def about(self) -> tuple[str, ...]:
        return tuple(filter(None, (self.material, self.supplier, self.lot)))

    @property
    def by(self) -> str:
        return f"{self.document}, {self.document_day}"


STATEMENTS = (
    Column(gettext_lazy("Ingredient, supplier, lot"), "about", 4),
    Column(gettext_lazy("Says"), "says", 6),
    Column(gettext_lazy("Document and its day"), "by", 4),
    Column(gettext_lazy("From"), "in_force_from", 2),
)


@dataclass(frozen=True)
class Derived:
    """One allergen of the recipe or of a lot: ``how`` it is there, and by which way."""

    of: str
    how: str
    allergen: str
    way: str


DERIVED = (
    Column(gettext_lazy("Of"), "of", 3),
    Column(gettext_lazy("Is"), "how", 3),
    Column(gettext_lazy("Allergen"), "allergen", 3),
    Column(gettext_lazy("By this way"), "way", 8),
)


@dataclass(frozen=True, kw_only=True)
class LabelLine(RecordLine):
    """``ingredients``: as printed, one line a language. ``in_force``: nothing newer of the same label is approved."""

    label: str
    number: int
    in_force: bool
    languages: tuple[str, ...]
    contains: tuple[str, ...]
    may_contain: tuple[str, ...]
    ingredients: tuple[str, ...]

    @property
    def version(self) -> tuple[str, ...]:
        return f"{self.label} {self.number}", _("in force") if self.in_force else _("superseded")


LABELS = (
    Column(gettext_lazy("Label"), "version", 3),
    Column(gettext_lazy("Declares"), "contains", 3),
    Column(gettext_lazy("May contain"), "may_contain", 3),
    Column(gettext_lazy("Ingredients as printed"), "ingredients", 8),
)


@dataclass(frozen=True, kw_only=True)
class AssessedLine(RecordLine):
    about: str
    allergens: tuple[str, ...]
    because: str
    until: date


ASSESSED = (
    Column(gettext_lazy("About"), "about", 3),
    Column(gettext_lazy("Allergens"), "allergens", 3),
    Column(gettext_lazy("Because"), "because", 7),
    Column(gettext_lazy("Until, not included"), "until", 2),
)


@dataclass(frozen=True, kw_only=True)
class AllergenSheet(Listing):
    """``recipe``: code and number of the version in force, empty where there is none."""

    kind: ClassVar[str] = "allergen-sheet"
    shows_limits: ClassVar[bool] = False

    product: str
    on: date
    recipe: str
    statements: tuple[StatementLine, ...]
    of_recipe: tuple[Derived, ...]
    of_lots: tuple[Derived, ...]
    lots_told: int
    lots_on_hand: int
    labels: tuple[LabelLine, ...]
    assessed: tuple[AssessedLine, ...]
    record_ids: tuple[UUID, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        return (
            (_("Product"), self.product),
            (_("As it is on"), self.on.isoformat()),
            (_("Recipe"), self.recipe or _("none is approved")),
            (
                _("Lots on hand"),
                _("%(told)d of %(all)d told here") % {"told": self.lots_told, "all": self.lots_on_hand},
            ),
        )

    def remarks(self) -> tuple[str, ...]:
        return (spoken(CAUTION),)

    def sections(self) -> tuple[Section, ...]:
        return (
            Section(
                _("What documents state of its ingredients"),
                self.statements,
                STATEMENTS,
                _("No document states anything of its ingredients: all is unknown."),
            ),
            Section(
                _("What follows for the recipe"),
                self.of_recipe,
                DERIVED,
                _("Nothing follows: no recipe is approved, or its ingredients bring nothing that is listed."),
            ),
            Section(
                _("What follows for lots on hand"), self.of_lots, DERIVED, _("Nothing to tell of a lot.")
            ),
            Section(_("Labels"), self.labels, LABELS, _("No label of this product is approved.")),
            Section(_("Contacts assessed"), self.assessed, ASSESSED, _("No contact was assessed.")),
        )

    def data_tables(self) -> tuple[Table, ...]:
        of = ("of", "how", "allergen", "way")
        says = ("material", "supplier", "lot", "says", "document", "document_day", "in_force_from")
        label = ("label", "number", "in_force", "languages", "contains", "may_contain", "ingredients")
        return (
            tables.of_lines("content", (*self.of_recipe, *self.of_lots), of),
            tables.of_records("statements", self.statements, says),
            tables.of_records("labels", self.labels, label),
            tables.of_records("assessed", self.assessed, ("about", "allergens", "because", "until")),
        )


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a material of another establishment."""
    _material(establishment, subject)


def _material(here: Establishment, subject: UUID) -> Material:
    found = Material.objects.filter(establishment=here, pk=subject).first()
    if found is None:
        raise Unknown(f"There is no material {subject} here.", field="subject")
    return found


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> AllergenSheet:
    """Read and derive everything; call it within one snapshot."""
    product, today = _material(here, subject), head["made_at"].date()
    version, words = recipe_lists.version_of(product), lists.vocabulary(here)
    on_hand = Lot.objects.filter(material=product, state__on_hand__gt=0).select_related("material")
    lots = list(on_hand.order_by("-day", "-id")[:MOST_LOTS])
    statements = tuple(_statements(here, version, words))
    labels = tuple(_labels(product, words))
    assessed = tuple(_assessed(product, words))
    keys = {key for line in (*statements, *labels, *assessed) for key in line.records}
    signatures = list(signatures_on(keys))
    confirmed, unconfirmed = lists.lines_on(here, today)
    return AllergenSheet(
        product=f"{product.code} {product.name}",
        on=today,
        recipe="" if version is None else f"{version.recipe.code} {version.number}",
        statements=statements,
        of_recipe=() if version is None else tuple(_of_recipe(version, today, words)),
        of_lots=tuple(_of_lots(here, lots, words)),
        lots_told=len(lots),
        lots_on_hand=on_hand.count(),
        labels=labels,
        assessed=assessed,
        signatures=tuple(SignatureLine.of(each, _("label or assessment")) for each in signatures),
        cautions=(str(CAUTION_OF_SHEET), standing_cautions()[0]),
        confirmed_rules=confirmed,
        unconfirmed_rules=unconfirmed,
        record_ids=tuple(sorted(keys | {each.pk for each in signatures})),
        **head,
    )


CAUTION_OF_SHEET = gettext_lazy(
    "Whether a label is right is for qualified people and the competent authority to say. Allergens are named as the "
    "lists name them."
)


# -- what is stated --------------------------------------------------------------------------------------


def _statements(
    here: Establishment, version: RecipeVersion | None, words: Vocabulary
) -> Iterator[StatementLine]:
    """Everything that was stated of what goes in, also by recipes within the recipe."""
    rows = AllergenStatement.objects.of(here).filter(material__in=_ingredients(version), withdrawn=False)
    rows = rows.select_related(*RecordLine.FROM_RECORD, "material", "supplier", "lot")
    for each in rows.order_by("material__code", "in_force_from", "recorded_at", "id"):
        yield StatementLine.of(
            each,
            material=f"{each.material.code} {each.material.name}",
            supplier=each.supplier.name if each.supplier else "",
            lot=each.lot.code if each.lot else "",
            says=tuple(_says(each.says, words)),
            document=each.document,
            document_day=each.document_day,
            in_force_from=each.in_force_from,
        )


def _says(entries: Iterable[Mapping[str, Any]], words: Vocabulary) -> Iterator[str]:
    """What is stated alike, in one line."""
    alike: dict[tuple[str, str], list[str]] = {}
    for said in entries:
        amount = _("%s mg/kg") % said["mg_per_kg"] if said.get("mg_per_kg") else ""
        more = "; ".join(filter(None, (amount, said.get("because", ""))))
        alike.setdefault((said["says"], more), []).append(lists.spoken(words, said["allergen"]))
    for (says, more), names in alike.items():
        told = f"{SAYS[says]}: {', '.join(names)}"
        yield f"{told} ({more})" if more else told


def _ingredients(version: RecipeVersion | None) -> set[UUID]:
    """The materials of its lines, and of the recipes of those that are made here; a statement or two a level."""
    found: set[UUID] = set()
    level = [] if version is None else [version]
    while level:
        lines = RecipeLine.objects.filter(version__in=level)
        new = set(lines.values_list("material_id", flat=True)) - found
        found |= new
        level = list(recipe_lists.versions_of(new).values())
    return found


# -- what follows ------------------------------------------------------------------------------------------


def _of_recipe(version: RecipeVersion, today: date, words: Vocabulary) -> Iterator[Derived]:
    yield from _derived(_("the recipe"), content.of_recipe(version, today), words)


def _of_lots(here: Establishment, lots: list[Lot], words: Vocabulary) -> Iterator[Derived]:
    found = content.of_lots(here, lots)
    for lot in lots:
        yield from _derived(lot.code, found[lot.pk], words)


def _derived(of: str, found: Content, words: Vocabulary) -> Iterator[Derived]:
    several: tuple[tuple[str, Mapping[str, Any]], ...] = (
        (_("contained"), found.contains),
        (_("possible"), found.may),
        (_("unknown: nobody stated it"), found.unstated),
        (_("unknown by contact"), found.unknown_by_contact),
        (_("exempt"), found.exempt),
        (_("there, below what a list asks for"), found.below),
        (_("there, on no list"), found.unlisted),
    )
    for how, ways in several:
        for code in sorted(ways, key=partial(lists.spoken, words)):
            yield Derived(of, how, lists.spoken(words, code), _way(ways[code]))


def _way(way: Path | Because) -> str:
    return spoken(way.in_words) + (spoken(way.note) if isinstance(way, Path) else "")


# -- labels and assessments --------------------------------------------------------------------------------


def _labels(product: Material, words: Vocabulary) -> Iterator[LabelLine]:
    rows = LabelVersion.objects.filter(material=product).select_related(*RecordLine.FROM_RECORD, "label")
    current = set(versions.approved(product).values_list("pk", flat=True))
    for each in rows.order_by("label__code", "number"):
        document = versions.document_of(each)
        yield LabelLine.of(
            each,
            label=each.label.code,
            number=each.number,
            in_force=each.pk in current,
            languages=document.languages,
            contains=_named(document.contains, words),
            may_contain=tuple(
                f"{lists.spoken(words, may.allergen)}: {may.reason}" for may in document.may_contain
            ),
            ingredients=tuple(
                f"{language}: " + ", ".join(printed(one, language) for one in document.ingredients)
                for language in document.languages
            ),
        )


def _assessed(product: Material, words: Vocabulary) -> Iterator[AssessedLine]:
    about = Q(material=product) | Q(lot__material=product)
    rows = ContactAssessment.objects.filter(about, withdrawn=False)
    rows = rows.select_related(*RecordLine.FROM_RECORD, "lot")
    for each in rows.order_by("performed_at", "id"):
        yield AssessedLine.of(
            each,
            about=_("lot %s") % each.lot.code if each.lot else product.name,
            allergens=_named(each.allergens, words),
            because=each.because,
            until=each.until,
        )


def _named(codes: Iterable[str], words: Vocabulary) -> tuple[str, ...]:
    return tuple(lists.spoken(words, code) for code in codes)
