"""A label as one document: its shape, and everything that is wrong with it at once. Pure.

{"languages": ["en", "de-AT"],
 "name": {"en": "Honey nut bites", "de-AT": "Honig-Nuss-Happen"},
 "contains": ["hazelnut", "milk"],
 "may_contain": [{"allergen": "almond", "reason": "Same table; wet cleaning is not possible there."}],
 "ingredients": [{"name": {"en": "sugar", "de-AT": "Zucker"}, "material": "SUG"},
                 {"name": {"en": "filling", "de-AT": "Fülle"}, "percent": "40",
                  "parts": [{"name": {"en": "*hazelnuts*", "de-AT": "*Haselnüsse*"}, "allergens": ["hazelnut"]}]}],
 "net_quantity": {"quantity": "100", "unit": "GRM"},
 "warnings": [{"kind": "not-under-12-months", "text": {"en": "...", "de-AT": "..."}}],
 "artwork": {"sha256": "..."},
 "unpacked": false}

Numbers are text. ``languages``: tags of BCP 47 (language, script, region); every text is there in each of them. Words
between asterisks are emphasised. ``material``: the code of the material an ingredient is, so that the list can be held
against the recipe. ``percent``: of a named ingredient, as printed. ``unpacked``: sold loose with a sign, so there is
neither artwork nor net quantity.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from batches import quantities
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable

MOST_LANGUAGES, MOST_INGREDIENTS, MOST_CODES, MOST_WARNINGS = 12, 100, 100, 20
DEEPEST = 4  # parts of parts of parts; a site setting, no source
LONGEST_TEXT, LONGEST_REASON, LONGEST_CODE = 300, 1000, 60
HONEY, CHOKING, OWN = "not-under-12-months", "choking", "own"
WARNINGS = (HONEY, CHOKING, OWN)
HONEY_WORDS = frozenset(
    {
        *("honey", "honig", "miel", "miele", "honing", "mel", "honning", "honung", "hunaja"),
        *("miód", "miodu", "miodem", "méz", "miere", "μέλι", "мед", "мёд"),
    }
)
"""Honey in English, German, French and Spanish, Italian, Dutch, Portuguese, Danish and Norwegian, Swedish, Finnish,
Polish, Hungarian, Romanian, Greek, Ukrainian, Bulgarian and Russian: from memory. Other words are not seen on a label."""
HONEY_STEMS = ("honig", "honing", "honning", "honung")
"""Words that are joined to others: blossom honey is one word there. Not so a honeydew melon, which has none in it."""
EMPHASIS = "*"

_LANGUAGE = re.compile(r"[a-z]{2,3}(-[A-Z][a-z]{3})?(-([A-Z]{2}|[0-9]{3}))?")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_WORD = re.compile(r"\w+")
_DOCUMENT = {
    "languages",
    "name",
    "contains",
    "may_contain",
    "ingredients",
    "net_quantity",
    "warnings",
    "artwork",
    "unpacked",
}
_PRECAUTION = {"allergen", "reason"}
_INGREDIENT = {"name", "material", "percent", "allergens", "parts"}
_WARNING = {"kind", "text"}
_ARTWORK = {"sha256"}

Texts = Mapping[str, str]
"""What is printed, by language."""


@dataclass(frozen=True)
class Precaution:
    """An allergen that may be there, and why the assessment says that it cannot be kept out."""

    allergen: str
    reason: str


@dataclass(frozen=True)
class Ingredient:
    """As printed. ``parts``: what stands in brackets after it. ``material``: its code here, or empty."""

    name: Texts
    material: str = ""
    percent: Decimal | None = None
    allergens: tuple[str, ...] = ()
    parts: tuple["Ingredient", ...] = ()


@dataclass(frozen=True)
class Warned:
    """A warning of a kind that is known, or of the house's own."""

    kind: str
    text: Texts


@dataclass(frozen=True)
class LabelDocument:
    languages: tuple[str, ...]
    name: Texts
    contains: tuple[str, ...]
    may_contain: tuple[Precaution, ...]
    ingredients: tuple[Ingredient, ...]
    net_quantity: quantities.Quantity | None
    warnings: tuple[Warned, ...]
    artwork: str
    unpacked: bool


def read(document: Any) -> LabelDocument | list[Reason]:
    """The document as values, or every reason why it cannot be read as a label; fields are below the document."""
    reader = _Reader()
    label = reader.label(document)
    return reader.reasons or label


def codes(label: LabelDocument) -> Iterator[tuple[str, str]]:
    """(field, code) of every allergen it names, so that a vocabulary can be asked."""
    for index, code in enumerate(label.contains):
        yield f"contains.{index}", code
    for index, each in enumerate(label.may_contain):
        yield f"may_contain.{index}.allergen", each.allergen


def names_honey(text: str) -> bool:
    return any(_is_honey(word.casefold()) for word in _WORD.findall(text))


def _is_honey(word: str) -> bool:
    joined = any(stem in word for stem in HONEY_STEMS) and "melo" not in word
    return word in HONEY_WORDS or joined


class _Reader:
    def __init__(self) -> None:
        self.reasons: list[Reason] = []
        self.languages: tuple[str, ...] = ()
        self.contains: tuple[str, ...] = ()

    def refuse(self, code: str, detail: str, field: str) -> None:
        self.reasons.append(Reason(code, detail, field[:200]))

    def label(self, said: Any) -> LabelDocument:
        if not isinstance(said, dict):
            self.refuse("shape", "A label is one object.", "")
            said = {}
        self.names(said, _DOCUMENT, "")
        unpacked = self.truth(said.get("unpacked", False), "unpacked")
        self.languages = self.tags(said.get("languages"))
        self.contains = self.allergens(said.get("contains", []), "contains")
        label = LabelDocument(
            self.languages,
            self.texts(said.get("name"), "name"),
            self.contains,
            tuple(self.precautions(said.get("may_contain", []))),
            self.ingredients(said.get("ingredients"), "ingredients", 1),
            None if unpacked and "net_quantity" not in said else self.net(said.get("net_quantity")),
            tuple(self.warnings(said.get("warnings", []))),
            "" if unpacked and "artwork" not in said else self.artwork(said.get("artwork")),
            unpacked,
        )
        self.honey(label)
        return label

    # -- small parts --------------------------------------------------------------------------------

    def names(self, said: dict[str, Any], known: set[str], field: str) -> None:
        for name in sorted(set(said) - known, key=str):
            sentence = f"{str(name)[:40]!a} is not known here; known: {', '.join(sorted(known))}."
            self.refuse("unknown-field", sentence, f"{field}.{name}".lstrip("."))

    def objects(
        self, said: Any, field: str, most: int, known: set[str], least: int = 0
    ) -> Iterator[tuple[str, dict[str, Any]]]:
        """Each object of a list with its place; its names are looked at."""
        if not isinstance(said, list) or not least <= len(said) <= most:
            self.refuse("shape", f"This is a list of {least} to {most}.", field)
            return
        for index, each in enumerate(said):
            place = f"{field}.{index}"
            if isinstance(each, dict):
                self.names(each, known, place)
                yield place, each
            else:
                self.refuse("shape", "This is one object.", place)

    def truth(self, said: Any, field: str) -> bool:
        if not isinstance(said, bool):
            self.refuse("not-yes-or-no", "This is true or false.", field)
        return said is True

    def tags(self, said: Any) -> tuple[str, ...]:
        if not isinstance(said, list) or not 1 <= len(said) <= MOST_LANGUAGES:
            self.refuse("missing", f"Name 1 to {MOST_LANGUAGES} languages.", "languages")
            return ()
        good: list[str] = []
        for index, tag in enumerate(said):
            if not isinstance(tag, str) or not _LANGUAGE.fullmatch(tag):
                sentence = "A language is a tag of BCP 47, such as en, de-AT or zh-Hant."
                self.refuse("not-a-language", sentence, f"languages.{index}")
            elif tag in good:
                self.refuse("doubled", f"{tag} stands twice.", f"languages.{index}")
            else:
                good.append(tag)
        return tuple(good)

    def texts(self, said: Any, field: str) -> Texts:
        """One line in each language of the label, and in no other."""
        if not isinstance(said, dict):
            self.refuse("missing", "Give the words in each language of the label.", field)
            return {}
        for tag in sorted(set(said) - set(self.languages), key=str):
            sentence = f"{str(tag)[:20]!a} is none of the label's languages."
            self.refuse("other-language", sentence, f"{field}.{tag}")
        found = {tag: said.get(tag) for tag in self.languages}
        for tag, text in found.items():
            if not is_one_line(text, LONGEST_TEXT):
                sentence = f"Give one line of 1 to {LONGEST_TEXT} characters."
                self.refuse("missing", sentence, f"{field}.{tag}")
            elif str(text).count(EMPHASIS) % 2:
                self.refuse("emphasis-open", "An emphasis that begins with * ends with *.", f"{field}.{tag}")
        return {tag: str(text) for tag, text in found.items()}

    def allergens(self, said: Any, field: str) -> tuple[str, ...]:
        """Codes in their form, each once; whether a list knows them is asked elsewhere."""
        if not isinstance(said, list) or len(said) > MOST_CODES:
            self.refuse("shape", f"This is a list of at most {MOST_CODES} allergen codes.", field)
            return ()
        good: list[str] = []
        for index, code in enumerate(said):
            if not is_one_line(code, LONGEST_CODE):
                self.refuse("missing", "Name the allergen by its code.", f"{field}.{index}")
            elif code in good:
                self.refuse("doubled", f"{code} stands twice.", f"{field}.{index}")
            else:
                good.append(code)
        return tuple(good)

    # -- what it declares ---------------------------------------------------------------------------

    def precautions(self, said: Any) -> Iterator[Precaution]:
        seen: set[str] = set()
        for place, each in self.objects(said, "may_contain", MOST_CODES, _PRECAUTION):
            code, reason = each.get("allergen"), each.get("reason")
            if not is_one_line(code, LONGEST_CODE):
                self.refuse("missing", "Name the allergen by its code.", f"{place}.allergen")
                continue
            if code in self.contains:
                sentence = f"{code} is contained; it is not declared as a mere possibility besides."
                self.refuse("contradictory", sentence, f"{place}.allergen")
            if code in seen:
                self.refuse("doubled", f"{code} stands twice.", f"{place}.allergen")
            if not isinstance(reason, str) or not reason.strip() or len(reason) > LONGEST_REASON:
                sentence = "Give the reason of its assessment: why it cannot be kept out."
                self.refuse("missing", sentence, f"{place}.reason")
                continue
            seen.add(str(code))
            yield Precaution(str(code), reason)

    def ingredients(self, said: Any, field: str, depth: int) -> tuple[Ingredient, ...]:
        return tuple(
            self.ingredient(each, place, depth)
            for place, each in self.objects(said, field, MOST_INGREDIENTS, _INGREDIENT, least=1)
        )

    def ingredient(self, said: dict[str, Any], field: str, depth: int) -> Ingredient:
        name = self.texts(said.get("name"), f"{field}.name")
        named = self.allergens(said.get("allergens", []), f"{field}.allergens")
        for index, code in enumerate(named):
            if code not in self.contains:
                sentence = f"{code} is in an ingredient, so the label contains it: add it to contains."
                self.refuse("not-among-contained", sentence, f"{field}.allergens.{index}")
        for tag, text in name.items():
            if named and EMPHASIS not in text:
                sentence = f"Emphasise {', '.join(named)} between asterisks, as in skimmed *milk* powder."
                self.refuse("not-emphasised", sentence, f"{field}.name.{tag}")
        material = said.get("material", "")
        if material != "" and not is_one_line(material, LONGEST_CODE):
            self.refuse("missing", "Name the material by its code.", f"{field}.material")
        percent = self.percent(said["percent"], f"{field}.percent") if "percent" in said else None
        parts: tuple[Ingredient, ...] = ()
        if "parts" in said and depth >= DEEPEST:
            self.refuse("too-deep", f"Brackets go at most {DEEPEST} deep.", f"{field}.parts")
        elif "parts" in said:
            parts = self.ingredients(said["parts"], f"{field}.parts", depth + 1)
        return Ingredient(name, str(material), percent, named, parts)

    def percent(self, said: Any, field: str) -> Decimal | None:
        try:
            value = quantities.parse_number(said, field=field, signed=False)
        except Unusable as refusal:
            self.reasons += refusal.reasons
            return None
        if not 0 < value <= 100:
            self.refuse("out-of-range", "A percentage is more than 0 and at most 100.", field)
        return value

    def net(self, said: Any) -> quantities.Quantity | None:
        if not isinstance(said, dict):
            self.refuse("missing", "Give the net quantity: quantity and unit.", "net_quantity")
            return None
        self.names(said, {"quantity", "unit"}, "net_quantity")
        try:
            return quantities.parse(
                said.get("quantity"),
                said.get("unit"),
                positive=True,
                field="net_quantity.quantity",
                unit_field="net_quantity.unit",
            )
        except Unusable as refusal:
            self.reasons += refusal.reasons
            return None

    def warnings(self, said: Any) -> Iterator[Warned]:
        for place, each in self.objects(said, "warnings", MOST_WARNINGS, _WARNING):
            if each.get("kind") not in WARNINGS:
                self.refuse("unknown-name", f"It is one of: {', '.join(WARNINGS)}.", f"{place}.kind")
            yield Warned(str(each.get("kind")), self.texts(each.get("text"), f"{place}.text"))

    def artwork(self, said: Any) -> str:
        if not isinstance(said, dict):
            self.refuse("missing", "Name the artwork by the SHA-256 of the attached file.", "artwork")
            return ""
        self.names(said, _ARTWORK, "artwork")
        sha256 = said.get("sha256")
        if not isinstance(sha256, str) or not _SHA256.fullmatch(sha256):
            self.refuse("not-a-hash", "A SHA-256 is 64 of 0-9 and a-f.", "artwork.sha256")
            return ""
        return sha256

    def honey(self, label: LabelDocument) -> None:
        """Spores in honey harm infants, and no heat of a sweet kitchen is shown to end them."""
        if any(each.kind == HONEY for each in label.warnings):
            return
        for field, text in _words(label.ingredients, "ingredients"):
            if names_honey(text):
                sentence = f"It names honey: add the warning {HONEY}, not for children under 12 months."
                self.refuse("honey-without-warning", sentence, field)
                return


def _words(ingredients: tuple[Ingredient, ...], field: str) -> Iterator[tuple[str, str]]:
    for index, each in enumerate(ingredients):
        for tag, text in each.name.items():
            yield f"{field}.{index}.name.{tag}", text
        yield from _words(each.parts, f"{field}.{index}.parts")
