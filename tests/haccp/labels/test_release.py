"""Release: what a lot contains by its genealogy against the label that was seen on it."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from batches import recipes, runs
from batches.models import Batch, BatchStart, Equipment, Lot, LotStatus, Material
from config.api.refusals import RuleBroken
from haccp import deviations, gates
from haccp.allergens import lists, statements
from haccp.deviations import Touched
from haccp.labels import assessments, comparing, packing, versions
from haccp.models import Deviation, HoldSubject, Label, LabelVersion, PackingCheck, Release
from ledger import establishments
from ledger.acts import Act
from ledger.models import Establishment, Person
from ledger.signatures import Proof
from reports import packed
from tests.conftest import NOON, PASSWORD, Client
from tests.haccp.conftest import HOUR, MORNING

pytestmark = pytest.mark.django_db
See = Callable[..., PackingCheck]
State = Callable[..., Any]


@pytest.fixture
def see(see: See, request: pytest.FixtureRequest) -> See:
    """As elsewhere, and an hour before the end of packing the same label was seen at its start."""

    def do(batch: Batch, version: LabelVersion | None, at: datetime = NOON, **values: Any) -> PackingCheck:
        told = {"moment", "said_act"} & values.keys()
        begun = PackingCheck.objects.filter(batch=batch, lot=values.get("lot"), moment="start").exists()
        if not told and not begun:
            of_it = version is not None and version.material_id == batch.recipe_version.material_id
            first = version if of_it else request.getfixturevalue("label_version")
            see(batch, first, at=at - HOUR, moment="start", counts={}, lot=values.get("lot"))
        return see(batch, version, at=at, **values)

    return do


@pytest.fixture
def state(act: Callable[..., Act], lead: Person, sugar: Material, establishment: Establishment) -> State:
    """The sugar's supplier states this of it, and that it is free of everything else."""

    def do(lot: Lot | None = None, **says: str) -> Any:
        vocabulary = lists.vocabulary(establishment)
        groups = {group for code in says for group in vocabulary.groups_of(code)}
        told = [{"allergen": code, "says": word, "because": "their sheet"} for code, word in says.items()]
        told += [
            {"allergen": code, "says": "free-of", "because": "their assay"}
            for code in sorted(vocabulary.members - says.keys() - groups)
            if lot is None
        ]
        return statements.record(
            act=act(lead, at=MORNING - 3 * HOUR),
            material=sugar,
            lot=lot,
            says=told,
            document="Sheet 7",
            document_day=date(2026, 2, 1),
            in_force_from=date(2026, 2, 1),
        )

    return do


@pytest.fixture
def lot(
    batch: Batch,
    receive: Callable[..., Lot],
    accept: Callable[..., Lot],
    use: Callable[..., None],
    make_lot: Callable[..., Lot],
    check_all: Callable[..., None],
    end: Callable[..., None],
) -> Lot:
    """A lot of caramels of sugar alone, with every check in order."""
    use(accept(receive()), batch, at=MORNING + HOUR / 6)
    made = make_lot(batch, at=MORNING + HOUR / 2)
    end(batch, at=MORNING + HOUR)
    check_all(batch)
    return made


@pytest.fixture
def release(act: Callable[..., Act], lead: Person) -> Callable[..., Release]:
    def do(lot: Lot) -> Release:
        return gates.release(act=act(lead, at=NOON + 2 * HOUR), lot=lot, proof=Proof(lead))

    return do


@pytest.fixture
def refused(release: Callable[..., Release]) -> Callable[[Lot], list[Any]]:
    def do(lot: Lot) -> list[Any]:
        with pytest.raises(RuleBroken) as caught:
            release(lot)
        assert not Release.objects.filter(lot=lot).exists()
        return list(caught.value.reasons)

    return do


def codes(reasons: Any) -> list[str]:
    return [each["code"] if isinstance(each, dict) else each.code for each in reasons]


# -- before a product has a label ---------------------------------------------------------------------


def test_without_any_approved_label_it_is_told_and_released(
    lot: Lot, release: Callable[..., Release], state: State
) -> None:
    state(milk="contains")
    basis = release(lot).basis
    assert (basis["labels"], codes(basis["told"])) == ([], ["no-label-approved"])
    assert "it contains: milk" in basis["told"][0]["detail"]


def test_what_was_received_is_accepted_without_a_word_of_labels(
    receive: Callable[..., Lot], release: Callable[..., Release], label_version: LabelVersion
) -> None:
    assert release(receive()).basis == {"checks": []}


# -- from then on -------------------------------------------------------------------------------------


def test_once_there_is_a_label_a_lot_without_a_known_one_is_refused(
    lot: Lot, label_version: LabelVersion, refused: Callable[[Lot], list[Any]]
) -> None:
    assert codes(refused(lot)) == ["label-not-known"]


def test_what_is_only_sold_loose_is_held_against_its_sign(
    lot: Lot,
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    state: State,
    release: Callable[..., Release],
    refused: Callable[[Lot], list[Any]],
    act: Callable[..., Act],
    lead: Person,
) -> None:
    sign = approve(make_label(unpacked=True))
    state(milk="contains", peanut="may-contain")
    assert codes(refused(lot)) == ["allergen-by-contact-undeclared"]
    wider = approve(make_label(unpacked=True, may_contain=[{"allergen": "peanut", "reason": "Mill."}]))
    versions.redraft(act=act(lead), label=sign.label, values={"in_use": False})
    assert release(lot).basis["labels"] == [str(wider.pk)]


def test_what_is_sold_in_packs_too_needs_a_packing_check(
    lot: Lot,
    label_version: LabelVersion,
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    refused: Callable[[Lot], list[Any]],
) -> None:
    approve(make_label(unpacked=True))
    assert codes(refused(lot)) == ["label-not-known"]


def test_what_is_declared_is_released_on_the_label_that_was_seen(
    lot: Lot, label_version: LabelVersion, see: See, state: State, release: Callable[..., Release]
) -> None:
    state(milk="contains")
    see(lot.batch, label_version)
    basis = release(lot).basis
    assert basis.pop("checks")
    assert basis == {"labels": [str(label_version.pk)], "assessments": [], "told": []}


def test_an_undeclared_allergen_is_refused_with_its_path(
    lot: Lot, label_version: LabelVersion, see: See, state: State, refused: Callable[[Lot], list[Any]]
) -> None:
    state(milk="contains", hazelnut="contains")
    see(lot.batch, label_version)
    (reason,) = refused(lot)
    sugar = Lot.objects.get(material__code="SUG")
    assert (reason.code, list(reason.ids)) == ("allergen-undeclared", [str(sugar.uid), str(lot.uid)])
    assert f"{sugar.code} -> {lot.code}" in reason.detail


def test_a_supplier_s_may_contain_is_refused_unless_declared_or_assessed(
    lot: Lot,
    label_version: LabelVersion,
    see: See,
    state: State,
    refused: Callable[[Lot], list[Any]],
    release: Callable[..., Release],
    act: Callable[..., Act],
    lead: Person,
) -> None:
    state(milk="contains", almond="may-contain", peanut="may-contain")
    see(lot.batch, label_version)  # declares almond as possible
    assert codes(refused(lot)) == ["allergen-by-contact-undeclared"]
    made = assessments.assess(
        act=act(lead),
        proof=Proof(lead),
        allergens=["peanut"],
        because="Supplier's line trials.",
        until=date(2099, 1, 1),
        lot=lot,
    )
    assert release(lot).basis["assessments"] == [str(made.pk)]


@pytest.fixture
def forgotten(
    act: Callable[..., Act],
    lead: Person,
    nuts: Material,
    products: dict[str, Material],
    begin: Callable[..., Batch],
    receive: Callable[..., Lot],
    accept: Callable[..., Lot],
    use: Callable[..., None],
    make_lot: Callable[..., Lot],
    check_all: Callable[..., None],
    end: Callable[..., None],
) -> Lot:
    """A lot of sugar by a recipe that names nuts too, of which no use is recorded; every check is in order."""
    line = {"quantity": "3", "unit": "KGM", "tolerance_permille": "10"}
    document = {
        "batch_size": {"quantity": "6", "unit": "KGM"},
        "lines": [line | {"material": each} for each in ("SUG", "NUT")],
    }
    recipe = recipes.draft(
        act=act(lead), code="R-NUT", name="Nutty", material=products["SBC"], document=document
    )
    version = recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=Proof(lead))
    batch = begin(recipe_version=version)
    use(accept(receive()), batch, at=MORNING + HOUR / 6)
    made = make_lot(batch, at=MORNING + HOUR / 2)
    end(batch, at=MORNING + HOUR)
    check_all(batch)
    return made


@pytest.fixture
def nuts_contain(
    act: Callable[..., Act], lead: Person, nuts: Material, establishment: Establishment
) -> Callable[[str], Any]:
    """The nuts' supplier states that they contain one allergen, and are free of everything else."""

    def do(allergen: str) -> Any:
        told = [{"allergen": allergen, "says": "contains", "because": "their sheet"}]
        told += [
            {"allergen": code, "says": "free-of", "because": "their assay"}
            for code in sorted(lists.vocabulary(establishment).members - {allergen})
        ]
        return statements.record(
            act=act(lead, at=MORNING - 3 * HOUR),
            material=nuts,
            says=told,
            document="Sheet 8",
            document_day=date(2026, 2, 1),
            in_force_from=date(2026, 2, 1),
        )

    return do


@pytest.mark.parametrize("allergen", ["almond", "hazelnut"])
def test_what_a_line_without_a_recorded_use_contains_is_refused_unless_declared_as_contained(
    allergen: str,
    forgotten: Lot,
    label_version: LabelVersion,
    see: See,
    state: State,
    nuts_contain: Callable[[str], Any],
    refused: Callable[[Lot], list[Any]],
    act: Callable[..., Act],
    lead: Person,
) -> None:
    """The label tells almond as possible and is silent about hazelnut: neither will do, and nobody can assess it away."""
    state(milk="contains")
    nuts_contain(allergen)
    see(forgotten.batch, label_version)
    assessments.assess(
        act=act(lead),
        proof=Proof(lead),
        allergens=[allergen],
        because="Swabbed the table.",
        until=date(2099, 1, 1),
        lot=forgotten,
    )
    (reason,) = refused(forgotten)
    assert reason.code == "allergen-undeclared"
    assert "by line 2 of the recipe" in reason.detail


def test_what_a_line_contains_is_released_where_every_label_names_it_as_contained(
    forgotten: Lot,
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    see: See,
    state: State,
    nuts_contain: Callable[[str], Any],
    release: Callable[..., Release],
) -> None:
    state(milk="contains")
    nuts_contain("hazelnut")
    version = approve(
        make_label(
            contains=["milk", "hazelnut"],
            ingredients=[
                {"name": {"en": "sugar"}, "material": "SUG"},
                {"name": {"en": "butter (*milk*)"}, "allergens": ["milk"]},
                {"name": {"en": "*hazelnuts*"}, "allergens": ["hazelnut"]},
            ],
        )
    )
    see(forgotten.batch, version, at=NOON - HOUR / 2, moment="start", counts={})
    see(forgotten.batch, version)
    assert release(forgotten).basis["told"] == []


def test_where_no_label_is_approved_what_a_line_contains_is_told_with_the_rest(
    forgotten: Lot, state: State, nuts_contain: Callable[[str], Any], release: Callable[..., Release]
) -> None:
    state(milk="contains")
    nuts_contain("hazelnut")
    assert "it contains: hazelnut, milk" in release(forgotten).basis["told"][0]["detail"]


def test_an_assessment_that_has_ended_covers_nothing(
    lot: Lot,
    label_version: LabelVersion,
    see: See,
    state: State,
    refused: Callable[[Lot], list[Any]],
    act: Callable[..., Act],
    lead: Person,
) -> None:
    state(milk="contains", peanut="may-contain")
    see(lot.batch, label_version)
    assessments.assess(
        act=act(lead),
        proof=Proof(lead),
        allergens=["peanut"],
        because="Trials.",
        until=NOON.date() + timedelta(days=1),
        lot=lot,
    )
    assert codes(refused(lot)) == ["allergen-by-contact-undeclared"]


def test_withdrawing_the_assessment_it_rests_on_asks_for_the_decision_again(
    lot: Lot,
    label_version: LabelVersion,
    see: See,
    state: State,
    release: Callable[..., Release],
    act: Callable[..., Act],
    lead: Person,
) -> None:
    state(milk="contains", peanut="may-contain")
    see(lot.batch, label_version)
    values: dict[str, Any] = {"allergens": ["peanut"], "because": "Trials.", "until": date(2099, 1, 1)}
    made = assessments.assess(act=act(lead), proof=Proof(lead), lot=lot, **values)
    release(lot)
    assessments.withdraw(act=act(lead, corrects=made.pk, reason="Misread."), proof=Proof(lead))
    lot.state.refresh_from_db()
    assert lot.state.status == LotStatus.AWAITING


def test_what_nobody_stated_is_refused_with_what_is_not_known(
    lot: Lot, label_version: LabelVersion, see: See, refused: Callable[[Lot], list[Any]]
) -> None:
    see(lot.batch, label_version)
    (reason,) = refused(lot)
    sugar = Lot.objects.get(material__code="SUG")
    assert reason.code == "content-unknown"
    assert f"whether {sugar.code} contains: " in reason.detail
    assert "peanut" in reason.detail
    assert "milk" not in reason.detail.split("contains: ")[1].split(",")


def test_in_a_phased_start_what_nobody_stated_is_told(
    lot: Lot,
    label_version: LabelVersion,
    see: See,
    release: Callable[..., Release],
    act: Callable[..., Act],
    lead: Person,
    establishment: Establishment,
) -> None:
    see(lot.batch, label_version)
    until = timezone.now().date() + timedelta(days=30)
    establishments.change_profile(act=act(lead), values={"phased_start_until": until})
    establishment.refresh_from_db()
    assert codes(release(lot).basis["told"]) == ["content-unknown"]


def test_in_a_phased_start_an_undeclared_allergen_is_refused_all_the_same(
    lot: Lot,
    label_version: LabelVersion,
    see: See,
    state: State,
    refused: Callable[[Lot], list[Any]],
    act: Callable[..., Act],
    lead: Person,
    establishment: Establishment,
) -> None:
    state(hazelnut="contains")
    see(lot.batch, label_version)
    until = timezone.now().date() + timedelta(days=30)
    establishments.change_profile(act=act(lead), values={"phased_start_until": until})
    establishment.refresh_from_db()
    assert codes(refused(lot)) == ["allergen-undeclared"]


def test_a_lot_of_a_batch_that_stood_nobody_knows_where_is_refused(
    lot: Lot, kettle: Equipment, refused: Callable[[Lot], list[Any]]
) -> None:
    """Where equipment is, whatever was on it before may have touched the lot; a house without any has none to name."""
    (reason,) = (each for each in refused(lot) if each.code == "equipment-not-recorded")
    assert lot.batch is not None
    assert reason.ids == [str(lot.batch.uid)]


def test_naming_where_it_stood_answers_that(
    lot: Lot, kettle: Equipment, release: Callable[..., Release], act: Callable[..., Act], lead: Person
) -> None:
    start = BatchStart.objects.get(batch=lot.batch)
    runs.correct_start(
        act=act(at=MORNING, corrects=start.pk, reason="The kettle was left out."),
        batch=lot.batch,
        quantity="6",
        unit="KGM",
        equipment=[kettle],
    )
    assert codes(release(lot).basis["told"]) == ["no-label-approved"]


def test_so_does_a_decision_on_the_lot(
    lot: Lot,
    kettle: Equipment,
    release: Callable[..., Release],
    act: Callable[..., Act],
    settle: Callable[..., None],
) -> None:
    touched = Touched(HoldSubject.LOT, lot.uid)
    settle(deviations.report(act=act(), title="Nobody knows where it was made.", hold=touched))
    assert release(lot)


def test_in_a_phased_start_it_is_told(
    lot: Lot,
    kettle: Equipment,
    release: Callable[..., Release],
    act: Callable[..., Act],
    lead: Person,
    establishment: Establishment,
) -> None:
    until = timezone.now().date() + timedelta(days=30)
    establishments.change_profile(act=act(lead), values={"phased_start_until": until})
    establishment.refresh_from_db()
    assert "equipment-not-recorded" in codes(release(lot).basis["told"])


def test_what_is_declared_and_absent_is_told_and_released(
    lot: Lot, label_version: LabelVersion, see: See, state: State, release: Callable[..., Release]
) -> None:
    state()
    see(lot.batch, label_version)
    assert codes(release(lot).basis["told"]) == ["declared-but-absent"]


def test_a_label_of_another_product_on_it_is_refused_until_it_is_seen_again(
    lot: Lot,
    label_version: LabelVersion,
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    products: dict[str, Material],
    see: See,
    state: State,
    settle: Callable[..., None],
    refused: Callable[[Lot], list[Any]],
    release: Callable[..., Release],
) -> None:
    state(milk="contains")
    see(lot.batch, approve(make_label(material=products["LMD"])))
    assert "open-deviation" in codes(refused(lot))
    settle(Deviation.objects.get())
    assert codes(refused(lot)) == ["label-of-another"]
    see(lot.batch, label_version, lot=lot, at=NOON + HOUR)
    assert release(lot).basis["labels"] == [str(label_version.pk)]


def test_a_superseded_label_must_declare_it_too(
    lot: Lot,
    label_version: LabelVersion,
    revise: Callable[..., LabelVersion],
    see: See,
    state: State,
    settle: Callable[..., None],
    refused: Callable[[Lot], list[Any]],
) -> None:
    """Some packs bear the old one; that the new one is right does not help who buys those."""
    state(milk="contains", hazelnut="contains")
    newer = revise(label_version, at=NOON - 2 * HOUR, contains=["milk", "hazelnut"])
    see(lot.batch, label_version, at=NOON - HOUR, moment="start", counts={})
    see(lot.batch, newer)
    settle(Deviation.objects.get())
    (reason,) = refused(lot)
    assert (reason.code, "version 1 of" in reason.detail) == ("allergen-undeclared", True)


def test_another_label_seen_after_release_asks_for_the_decision_again(
    lot: Lot,
    label_version: LabelVersion,
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    see: See,
    state: State,
    release: Callable[..., Release],
) -> None:
    state(milk="contains")
    see(lot.batch, label_version)
    release(lot)
    see(lot.batch, label_version, at=NOON + HOUR)
    lot.state.refresh_from_db()
    assert lot.state.status == LotStatus.RELEASED
    see(lot.batch, approve(make_label(net_quantity={"quantity": "250", "unit": "GRM"})), at=NOON + HOUR)
    lot.state.refresh_from_db()
    assert lot.state.status == LotStatus.AWAITING


def test_what_an_earlier_batch_left_on_the_kettle_is_refused_unless_declared(
    begin: Callable[..., Batch],
    kettle: Equipment,
    receive: Callable[..., Lot],
    accept: Callable[..., Lot],
    use: Callable[..., None],
    make_lot: Callable[..., Lot],
    check_all: Callable[..., None],
    end: Callable[..., None],
    label_version: LabelVersion,
    see: See,
    state: State,
    refused: Callable[[Lot], list[Any]],
) -> None:
    early = MORNING - 2 * HOUR
    nutty, clean = (accept(receive(at=early), at=early) for _ in range(2))
    state(milk="contains")
    first = begin(at=early + HOUR / 6, equipment=[kettle])
    use(nutty, first, at=early + HOUR / 3)
    end(first, at=early + HOUR)
    second = begin(equipment=[kettle])
    state(lot=nutty, hazelnut="contains")  # only now: the start gate would have asked for a cleaning
    use(clean, second, at=MORNING + HOUR / 6)
    lot = make_lot(second, at=MORNING + HOUR / 2)
    end(second, at=MORNING + HOUR)
    check_all(second)
    see(second, label_version)
    (reason,) = refused(lot)
    assert reason.code == "allergen-by-contact-undeclared"
    assert f"by batch {first.code}" in reason.detail
    assert kettle.code in reason.detail or kettle.name in reason.detail


@pytest.mark.parametrize(
    ("moment", "lacking"),
    [
        ("start", ["labels-not-counted"]),
        ("roll-change", ["packing-start-not-seen", "labels-not-counted"]),
        ("end", ["packing-start-not-seen"]),
    ],
)
def test_packing_that_was_not_seen_at_its_start_or_not_ended_is_refused(
    moment: str,
    lacking: list[str],
    lot: Lot,
    label_version: LabelVersion,
    see: See,
    state: State,
    refused: Callable[[Lot], list[Any]],
) -> None:
    state(milk="contains")
    see(lot.batch, label_version, moment=moment)
    assert codes(refused(lot)) == lacking


def test_a_label_seen_late_that_does_not_declare_what_is_in_a_released_lot_holds_it(
    lot: Lot,
    label_version: LabelVersion,
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
    see: See,
    state: State,
    release: Callable[..., Release],
) -> None:
    """The small bag's label was approved before the sugar's supplier stated hazelnut."""
    small = approve(make_label(net_quantity={"quantity": "50", "unit": "GRM"}))
    state(milk="contains", hazelnut="contains")
    see(lot.batch, approve(make_label(contains=["milk", "hazelnut"])))
    release(lot)
    check = see(lot.batch, small, at=NOON + HOUR)
    lot.state.refresh_from_db()
    case = Deviation.objects.get(subject=check.pk)
    assert (check.result, lot.state.status, case.slot) == ("good", LotStatus.HELD, "undeclared")
    assert lot.code in case.title


def test_withdrawing_the_check_it_was_released_on_asks_for_the_decision_again(
    lot: Lot,
    label_version: LabelVersion,
    see: See,
    state: State,
    release: Callable[..., Release],
    act: Callable[..., Act],
) -> None:
    state(milk="contains")
    check = see(lot.batch, label_version)
    release(lot)
    packing.withdraw(act=act(corrects=check.pk, reason="Another batch."))
    lot.state.refresh_from_db()
    assert lot.state.status == LotStatus.AWAITING


def test_more_lots_cost_no_more_statements(
    lot: Lot,
    label_version: LabelVersion,
    see: See,
    state: State,
    make_lot: Callable[..., Lot],
    establishment: Any,
) -> None:
    state(milk="contains", hazelnut="contains")
    see(lot.batch, label_version)
    lots = [lot, *(make_lot(lot.batch, at=MORNING + timedelta(minutes=each)) for each in range(5))]
    counted = []
    for some in (lots[:1], lots):
        with CaptureQueriesContext(connection) as asked:
            found = comparing.compared(establishment, some, NOON.date())
        assert all(codes(each.refused) == ["allergen-undeclared"] for each in found.values())
        counted.append(len(asked))
    assert counted[0] == counted[1] <= 20


def test_what_was_told_stands_in_the_batch_record(
    lot: Lot, see: See, state: State, label_version: LabelVersion, release: Callable[..., Release]
) -> None:
    state()
    see(lot.batch, label_version)
    release(lot)
    (told,) = packed.told(Release.objects.filter(lot=lot))
    assert told.startswith(f"{lot.code}: version 1 of label")


# -- over HTTP ----------------------------------------------------------------------------------------


def test_what_release_would_say_of_the_label_is_read_at_any_time(
    lead_api: Client, lot: Lot, label_version: LabelVersion, see: See, state: State
) -> None:
    state(hazelnut="contains")
    see(lot.batch, label_version)
    said = lead_api.ask(f"lots/{lot.uid}/label").json()
    assert (said["sold"], said["packing_checks"], said["label_versions"]) == (
        True,
        [str(each.pk) for each in PackingCheck.objects.order_by("performed_at")],
        [str(label_version.pk)],
    )
    assert (codes(said["refused"]), codes(said["told"])) == (["allergen-undeclared"], ["declared-but-absent"])


def test_an_ingredient_bears_no_label(lead_api: Client, receive: Callable[..., Lot]) -> None:
    said = lead_api.ask(f"lots/{receive().uid}/label").json()
    assert (said["sold"], said["refused"], said["told"]) == (False, [], [])


def test_the_answer_to_a_release_tells_what_was_told(
    lead_api: Client, lot: Lot, label_version: LabelVersion, see: See, state: State
) -> None:
    state()
    see(lot.batch, label_version)
    body = {"performed_at": (NOON + 2 * HOUR).isoformat(), "password": PASSWORD}
    answer = lead_api.send(f"lots/{lot.uid}/releases", body)
    assert (answer.status_code, codes(answer.json()["basis"]["told"])) == (201, ["declared-but-absent"])
