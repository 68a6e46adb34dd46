"""The sign for unpacked sale: the label in force, and whatever the lots on sale contain besides."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from batches import lots as lot_deeds
from batches.models import Batch, Lot, Material
from config.api.refusals import Unknown
from haccp.allergens import statements
from haccp.labels import assessments, signs
from haccp.labels.signs import Piece
from haccp.models import Label, LabelVersion
from ledger.acts import Act
from ledger.models import Entry, Person
from ledger.signatures import Proof
from tests.conftest import NOON, Client
from tests.haccp.conftest import HOUR, MORNING

pytestmark = pytest.mark.django_db
TODAY = NOON.date()


@pytest.fixture
def on_sale(
    act: Callable[..., Act],
    batch: Batch,
    receive: Callable[..., Lot],
    accept: Callable[..., Lot],
    use: Callable[..., None],
    make_lot: Callable[..., Lot],
) -> Lot:
    """A released lot of caramels of sugar alone."""
    use(accept(receive()), batch, at=MORNING + HOUR / 6)
    lot = make_lot(batch)
    because = Entry.objects.filter(establishment=lot.establishment).latest("id")
    lot_deeds.decide(act=act(), lots=[lot], status="released", because=because)
    return lot


@pytest.fixture
def state(act: Callable[..., Act], lead: Person, sugar: Material) -> Callable[..., Any]:
    def do(**says: str) -> Any:
        told = [{"allergen": code, "says": word, "because": "their sheet"} for code, word in says.items()]
        return statements.record(
            act=act(lead, at=MORNING - 3 * HOUR),
            material=sugar,
            says=told,
            document="Sheet 7",
            document_day=date(2026, 2, 1),
            in_force_from=date(2026, 2, 1),
        )

    return do


def test_it_tells_the_label_in_force(label_version: LabelVersion, products: dict[str, Material]) -> None:
    sign = signs.sign(products["SBC"], TODAY)
    assert (sign.version, sign.contains, sign.may, sign.lots) == (label_version, ("milk",), ("almond",), ())
    (face,) = sign.faces
    assert (face.name, face.language) == ("Salted butter caramels", "en")
    assert face.ingredients == (Piece("sugar, butter (", False), Piece("milk", True), Piece(")", False))


def test_a_percentage_a_compound_and_a_warning_stand_on_it(
    make_label: Callable[..., Label], approve: Callable[..., LabelVersion], products: dict[str, Material]
) -> None:
    parts = [{"name": {"en": "*milk*"}, "allergens": ["milk"]}]
    approve(
        make_label(
            ingredients=[{"name": {"en": "caramel"}, "percent": "80.5", "parts": parts}],
            warnings=[{"kind": "choking", "text": {"en": "Cut up for small children."}}],
        )
    )
    (face,) = signs.sign(products["SBC"], TODAY).faces
    assert "".join(piece.text for piece in face.ingredients) == "caramel 80.5 % (milk)"
    assert face.warnings == ("Cut up for small children.",)


def test_without_a_label_there_is_no_sign(products: dict[str, Material]) -> None:
    with pytest.raises(Unknown):
        signs.sign(products["SBC"], TODAY)


def test_the_label_for_unpacked_sale_comes_before_a_newer_one_for_packs(
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    products: dict[str, Material],
) -> None:
    loose = approve(make_label(unpacked=True))
    approve(make_label(), at=MORNING)
    assert signs.sign(products["SBC"], TODAY).version == loose


def test_what_a_lot_on_sale_contains_is_told_though_the_label_does_not_declare_it(
    label_version: LabelVersion,
    state: Callable[..., Any],
    products: dict[str, Material],
    request: pytest.FixtureRequest,
) -> None:
    """Stated before the lot was there: stated later, it would hold the lot."""
    state(hazelnut="contains", almond="contains", peanut="may-contain")
    on_sale = request.getfixturevalue("on_sale")
    sign = signs.sign(products["SBC"], TODAY)
    assert len(sign.contains) == 3
    assert any("hazelnut" in each for each in sign.contains)
    assert any("almond" in each for each in sign.contains)
    assert (sign.may, sign.lots) == (("peanuts",), (on_sale.code,))


def test_what_nobody_stated_is_told_as_not_known(
    label_version: LabelVersion,
    on_sale: Lot,
    products: dict[str, Material],
    act: Callable[..., Act],
    lead: Person,
) -> None:
    """What the label declares, and what an assessment covers, is not among it."""
    before = signs.sign(products["SBC"], TODAY).not_known
    assessments.assess(
        act=act(lead),
        proof=Proof(lead),
        allergens=["peanut"],
        because="The mill packs sugar only.",
        until=date(2099, 1, 1),
        material=products["SBC"],
    )
    after = signs.sign(products["SBC"], TODAY).not_known
    assert set(before) - set(after) == {"peanuts"}
    assert "milk" not in before


def test_what_is_held_is_not_on_sale(
    label_version: LabelVersion, on_sale: Lot, products: dict[str, Material], act: Callable[..., Act]
) -> None:
    because = Entry.objects.filter(establishment=on_sale.establishment).latest("id")
    lot_deeds.decide(act=act(), lots=[on_sale], status="held", because=because)
    assert signs.sign(products["SBC"], TODAY).lots == ()


def test_it_is_read_as_data(
    api: Client, label_version: LabelVersion, on_sale: Lot, products: dict[str, Material]
) -> None:
    said = api.ask(f"materials/{products['SBC'].pk}/sale-sign").json()
    assert (said["label_version"], said["contains"], said["lots"]) == (
        str(label_version.pk),
        ["milk"],
        [on_sale.code],
    )
    assert said["faces"][0]["ingredients"][1] == {"text": "milk", "strong": True}
    assert api.ask(f"materials/{products['LMD'].pk}/sale-sign").status_code == 404


def test_what_a_line_without_a_recorded_use_contains_stands_as_contained(
    label_version: LabelVersion,
    products: dict[str, Material],
    act: Callable[..., Act],
    batch: Batch,
    make_lot: Callable[..., Lot],
    state: Callable[..., Any],
) -> None:
    state(sesame="contains")
    lot = make_lot(batch)  # nobody recorded the sugar
    because = Entry.objects.filter(establishment=lot.establishment).latest("id")
    lot_deeds.decide(act=act(), lots=[lot], status="released", because=because)
    sign = signs.sign(products["SBC"], TODAY)
    assert any("sesame" in each for each in sign.contains)
    assert not any("sesame" in each for each in sign.may)
