"""What a label's document may say; everything that is wrong with it is told at once."""

from copy import deepcopy
from decimal import Decimal
from typing import Any

import pytest

from config.api.refusals import Reason
from haccp.labels.documents import LabelDocument, Precaution, codes, names_honey, read

GOOD: dict[str, Any] = {
    "languages": ["en", "de-AT"],
    "name": {"en": "Nut pillows", "de-AT": "Nuss-Polster"},
    "contains": ["hazelnut"],
    "may_contain": [{"allergen": "almond", "reason": "Same table."}],
    "ingredients": [
        {"name": {"en": "sugar", "de-AT": "Zucker"}, "material": "SUG"},
        {
            "name": {"en": "filling", "de-AT": "Fülle"},
            "percent": "40.5",
            "parts": [
                {"name": {"en": "*hazelnuts*", "de-AT": "*Haselnüsse*"}, "allergens": ["hazelnut"]},
                {"name": {"en": "icing sugar", "de-AT": "Staubzucker"}},
            ],
        },
    ],
    "net_quantity": {"quantity": "100", "unit": "GRM"},
    "warnings": [{"kind": "choking", "text": {"en": "Hard pieces.", "de-AT": "Harte Stücke."}}],
    "artwork": {"sha256": "a" * 64},
}
HONEY = {"name": {"en": "wild honey", "de-AT": "Waldblüte"}}
LEAVE_OUT = object()


def told(path: str, value: Any) -> list[Reason]:
    """What is said about the good document with one place changed."""
    document: Any = deepcopy(GOOD)
    *way, last = path.split(".")
    place = document
    for name in way:
        place = place[int(name) if isinstance(place, list) else name]
    key: Any = int(last) if isinstance(place, list) else last
    if value is LEAVE_OUT:
        del place[key]
    else:
        place[key] = value
    found = read(document)
    return found if isinstance(found, list) else []


def test_a_good_document_is_read_as_values() -> None:
    label = read(GOOD)
    assert isinstance(label, LabelDocument)
    assert label.languages == ("en", "de-AT")
    assert label.may_contain == (Precaution("almond", "Same table."),)
    assert label.ingredients[1].percent == Decimal("40.5")
    assert label.ingredients[1].parts[0].allergens == ("hazelnut",)
    assert label.net_quantity is not None
    assert label.net_quantity.base == 100_000


def test_every_allergen_it_names_can_be_asked_about() -> None:
    label = read(GOOD)
    assert isinstance(label, LabelDocument)
    assert list(codes(label)) == [("contains.0", "hazelnut"), ("may_contain.0.allergen", "almond")]


@pytest.mark.parametrize(
    ("path", "value", "field", "code"),
    [
        ("colour", "red", "colour", "unknown-field"),
        ("languages", [], "languages", "missing"),
        ("languages", ["en", "de-AT", "English"], "languages.2", "not-a-language"),
        ("languages", ["en", "de-AT", "en"], "languages.2", "doubled"),
        ("name.en", LEAVE_OUT, "name.en", "missing"),
        ("name.fr", "Coussins", "name.fr", "other-language"),
        ("name.en", "two\nlines", "name.en", "missing"),
        ("contains", "hazelnut", "contains", "shape"),
        ("contains", ["hazelnut", "hazelnut"], "contains.1", "doubled"),
        ("may_contain.0.allergen", "hazelnut", "may_contain.0.allergen", "contradictory"),
        ("may_contain.0.reason", " ", "may_contain.0.reason", "missing"),
        ("may_contain.0.reason", LEAVE_OUT, "may_contain.0.reason", "missing"),
        ("may_contain.0", "almond", "may_contain.0", "shape"),
        ("ingredients", [], "ingredients", "shape"),
        ("ingredients", LEAVE_OUT, "ingredients", "shape"),
        ("ingredients.0.percent", "0", "ingredients.0.percent", "out-of-range"),
        ("ingredients.0.percent", "100.1", "ingredients.0.percent", "out-of-range"),
        ("ingredients.0.percent", "-1", "ingredients.0.percent", "negative"),
        ("ingredients.0.percent", 40, "ingredients.0.percent", "not-text"),
        ("ingredients.0.allergens", ["milk"], "ingredients.0.allergens.0", "not-among-contained"),
        (
            "ingredients.1.parts.0.name.en",
            "hazelnuts",
            "ingredients.1.parts.0.name.en",
            "not-emphasised",
        ),
        ("ingredients.1.parts.0.name.en", "*hazelnuts", "ingredients.1.parts.0.name.en", "emphasis-open"),
        ("ingredients.1.parts", [], "ingredients.1.parts", "shape"),
        ("net_quantity", LEAVE_OUT, "net_quantity", "missing"),
        ("net_quantity.quantity", "0", "net_quantity.quantity", "not-positive"),
        ("net_quantity.unit", LEAVE_OUT, "net_quantity.unit", "unknown-unit"),
        ("net_quantity.unit", "MLT", "net_quantity.unit", "needs-density"),
        ("warnings.0.kind", "spicy", "warnings.0.kind", "unknown-name"),
        ("warnings.0.text.de-AT", LEAVE_OUT, "warnings.0.text.de-AT", "missing"),
        ("artwork", LEAVE_OUT, "artwork", "missing"),
        ("artwork.sha256", "A" * 64, "artwork.sha256", "not-a-hash"),
        ("unpacked", "no", "unpacked", "not-yes-or-no"),
        ("ingredients.0", HONEY, "ingredients.0.name.en", "honey-without-warning"),
        ("ingredients.1.parts.1", HONEY, "ingredients.1.parts.1.name.en", "honey-without-warning"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(path: str, value: Any, field: str, code: str) -> None:
    assert (field, code) in [(reason.field, reason.code) for reason in told(path, value)]


def test_all_that_is_wrong_is_told_at_once() -> None:
    document = deepcopy(GOOD) | {"net_quantity": {}, "artwork": {}, "contains": ["hazelnut", ""]}
    found = read(document)
    assert isinstance(found, list)
    assert {reason.field for reason in found} >= {"contains.1", "net_quantity.quantity", "artwork.sha256"}


@pytest.mark.parametrize("document", [None, [], "label", {}])
def test_what_is_no_label_is_told(document: Any) -> None:
    assert isinstance(read(document), list)


def test_honey_with_its_warning_is_good() -> None:
    document = deepcopy(GOOD)
    document["ingredients"][0] = HONEY
    document["warnings"].append(
        {
            "kind": "not-under-12-months",
            "text": {"en": "Not under 12 months.", "de-AT": "Nicht unter 1 Jahr."},
        }
    )
    assert isinstance(read(document), LabelDocument)


def test_honey_in_another_language_is_seen_as_well() -> None:
    document = deepcopy(GOOD)
    document["ingredients"][0] = {"name": {"en": "nectar", "de-AT": "Honig"}}
    assert [reason.code for reason in read(document)] == ["honey-without-warning"]  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "name", ["Blütenhonig", "Honigpulver", "bloemenhoning", "miód pszczeli", "Skogshonung"]
)
def test_honey_joined_to_another_word_is_seen(name: str) -> None:
    assert names_honey(name)


@pytest.mark.parametrize("name", ["Honigmelone", "melon", "caramel", "melasse", "med nøtter"])
def test_what_only_sounds_like_honey_is_none(name: str) -> None:
    assert not names_honey(name)


def test_what_is_sold_unpacked_needs_neither_artwork_nor_net_quantity() -> None:
    document = {name: value for name, value in GOOD.items() if name not in ("artwork", "net_quantity")}
    label = read(document | {"unpacked": True})
    assert isinstance(label, LabelDocument)
    assert (label.artwork, label.net_quantity) == ("", None)


def test_brackets_do_not_go_on_for_ever() -> None:
    deep: dict[str, Any] = {"name": GOOD["name"]}
    for _ in range(50):
        deep = {"name": GOOD["name"], "parts": [deep]}
    found = read(GOOD | {"ingredients": [deep]})
    assert [reason.code for reason in found] == ["too-deep"]  # type: ignore[union-attr]
