"""Documents as they may leave the house: no amount of a recipe, no share that tells one, no price, no private contact.

What an inspector may ask for stays (21 CFR 1.337 and 1.345: who sent and who got which lot, how much, when; read), and
recipes and prices are not among it (21 CFR 1.362; read).
"""

import io
import json
import re
import zipfile
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest
from django.apps import apps
from django.core.files.storage import default_storage
from pdfminer.high_level import extract_text

from batches import storing
from config.api.refusals import Unusable
from haccp.api.recall_plans import PLAN
from haccp.recalls import plans as recall_plans
from haccp.recalls import replying
from ledger import disclosures
from ledger.models import Record
from ledger.standalone import check_evidence
from reports import inspection_file, jobs, left_out, reading, rendering
from reports.models import DocumentJob
from tests.haccp.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.conftest import HOUR, MORNING
from tests.haccp.recalls.conftest import *  # noqa: F403 - who got what, and recalls
from tests.haccp.recalls.conftest import LATER

pytestmark = pytest.mark.django_db
PHONE, PRICE = "+49 151 0007317", "4.7317 EUR"
WENT_IN = ("0.7317", "731700", "732 g", "731.7", "0.732")
"""What went in of the nuts: as entered, in milligrams, and as documents show it."""
LEFT = ("19.2683", "19268300", "19.268")
"""What is left of the twenty kilograms that came, which tells the same."""
TELLING = (*WENT_IN, *LEFT, PHONE, PRICE)


@pytest.fixture
def house(
    receive: Any,
    accept: Any,
    batch: Any,
    use: Any,
    make_lot: Any,
    ship: Any,
    shop: Any,
    supplier: Any,
    act: Any,
) -> SimpleNamespace:
    """Nuts and sugar went into sweets, which a shop got; what is private stands where the house keeps it."""
    for partner in (shop, supplier):
        partner.contact, partner.address = f"Ines Private, {PHONE}, {PRICE}", "Market 1, Town"
        partner.save()
    nuts, sugar = accept(receive(supplier_code="HN-7")), accept(receive(supplier_code="SU-1"))
    use(nuts, batch, quantity="0.7317")
    use(sugar, batch, quantity="2")
    sweets = make_lot(batch, quantity="2.5")
    ship(sweets, shop, "1.25", document="Note 7")
    storing.count(act=act(at=MORNING + 2 * HOUR), lot=nuts, quantity="19.2683", unit="KGM")
    return SimpleNamespace(nuts=nuts, sugar=sugar, batch=batch, sweets=sweets, shop=shop, supplier=supplier)


@pytest.fixture
def asked(
    house: SimpleNamespace,
    establishment: Any,
    lead: Any,
    decide: Any,
    freeze: Any,
    tell: Any,
    take_in: Any,
    act: Any,
) -> Callable[..., DocumentJob]:
    """A document of each sort that has a look of its own for outside, by a short name."""

    def of(name: str) -> dict[str, Any]:
        match name:
            case "trace":
                return {"kind": "trace", "about": {"lot": [str(house.sweets.uid)], "direction": "whole"}}
            case "trace of what went in":
                return {"kind": "trace", "about": {"lot": [str(house.nuts.uid)], "direction": "back"}}
            case "lot":
                return {"kind": "mass-balance", "about": {"lot": str(house.nuts.uid)}}
            case "batch":
                return {"kind": "mass-balance", "about": {"batch": str(house.batch.uid)}}
            case "period":
                days = {"since": "2026-01-01T00:00:00+01:00", "until": "2026-12-31T00:00:00+01:00"}
                return {"kind": "mass-balance", "about": days}
            case "batch record":
                return {"kind": "batch-record", "subject": house.batch.uid}
            case "recall":
                recall = decide()
                freeze(recall, house.nuts)
                tell(recall, house.shop)
                return {"kind": "recall-report", "subject": recall.pk}
            case "reply":
                notice = take_in()
                sent = replying.reply(act=act(at=LATER), notice=notice, means="phone", to=PHONE)
                return {"kind": "notice-reply", "subject": sent.pk}
        raise KeyError(name)

    def do(name: str, **how: Any) -> DocumentJob:
        return jobs.ask(establishment=establishment, asked_by=lead, **(of(name) | how))

    return do


ALL = ("trace", "trace of what went in", "lot", "batch", "period", "batch record", "recall", "reply")


def read(job: DocumentJob) -> tuple[Any, str, dict[str, Any]]:
    """The document, all that its page, data and evidence say, and the evidence."""
    document, shown = jobs.read(job)
    evidence = reading.evidence_file(job.establishment, shown, [document]).content
    page = rendering.to_html(document, for_paper=True)
    return (
        document,
        "\n".join([page, rendering.to_json(document).decode(), evidence.decode()]),
        json.loads(evidence),
    )


def told(text: str) -> list[str]:
    """Which of them stand there, not by chance within a digest, an id or the fraction of a second."""
    return [each for each in TELLING if re.search(rf"(?<![0-9a-f.]){re.escape(each)}(?![0-9a-f])", text)]


@pytest.mark.parametrize("name", [each for each in ALL if each != "period"])
def test_inside_the_house_what_went_in_is_told(asked: Any, name: str) -> None:
    """Shows that the next test could fail. (Of the period the nuts stand together with the sugar: see below.)"""
    _, all_of_it, _ = read(asked(name))
    assert told(all_of_it) != []


@pytest.mark.parametrize("name", ALL)
def test_for_outside_no_amount_of_a_recipe_and_nothing_private_is_told(asked: Any, name: str) -> None:
    _, all_of_it, _ = read(asked(name, outside=True))
    assert told(all_of_it) == []


@pytest.mark.parametrize("name", ALL)
def test_what_was_left_out_is_listed_and_the_rest_verifies(asked: Any, name: str) -> None:
    document, all_of_it, evidence = read(asked(name, outside=True))
    assert document.left_out
    assert "Left out</h2>" in all_of_it
    found = check_evidence.check(evidence, document=json.loads(rendering.to_json(document)))
    assert found.differences == []
    assert found.withheld == sum(1 for each in evidence["records"] if "withheld" in each)


def test_a_trace_for_outside_tells_no_share(asked: Any) -> None:
    inside, outside = (
        json.dumps(jobs.read(asked("trace", outside=each))[0].lines, default=str) for each in (False, True)
    )
    assert "(26.79 % of its mass)" in inside  # 0.7317 of 2.7317 kg
    assert "%" not in outside


def test_a_trace_for_outside_keeps_what_an_inspector_asks_for(asked: Any, house: Any) -> None:
    document, _, _ = read(asked("trace", outside=True))
    assert {each.name: each.sums for each in document.partners} == {
        house.shop.name: ("shipped to them: 1.250 kg",),
        house.supplier.name: ("received from them: 40.000 kg",),
    }
    rows = {line.code: line for line in document.lines}
    assert rows[house.nuts.code].how == "made with some of"
    assert rows[house.nuts.code].came == "received 20.000 kg"
    assert "HN-7" in rows[house.nuts.code].origin
    assert "here 1.250 kg" in rows[house.sweets.code].became


def test_a_trace_for_outside_is_not_bounded_by_a_share(house: Any, establishment: Any, lead: Any) -> None:
    """Else whoever asks again and again finds the share out."""
    about = {"lot": [str(house.nuts.uid)], "direction": "forward", "least_share": "0.2"}
    with pytest.raises(Unusable) as refused:
        jobs.ask(establishment=establishment, asked_by=lead, kind="trace", about=about, outside=True)
    assert refused.value.code == "tells-the-recipe"


def test_a_period_tells_sums_used_inside_only(asked: Any, house: Any) -> None:
    inside, outside = (jobs.read(asked("period", outside=each))[0].materials for each in (False, True))
    rows = [{row.code: row for row in rows}[house.nuts.material.code] for rows in (inside, outside)]
    assert [line.amount for line in rows[0].went] == ["2.7317 kg"]
    assert (rows[1].went, rows[1].opening, rows[1].closing) == ((), "", "")


def test_a_period_in_which_nothing_was_used_does_not_tell_what_is_left(
    house: Any, establishment: Any, lead: Any
) -> None:
    """Its closing less the opening of another would be what was used between."""
    days = {"since": "2026-06-01T00:00:00+01:00", "until": "2026-06-30T00:00:00+01:00"}
    job = jobs.ask(establishment=establishment, asked_by=lead, kind="mass-balance", about=days, outside=True)
    rows = {row.code: row for row in jobs.read(job)[0].materials}
    assert rows[house.nuts.material.code].opening == ""
    assert rows[house.sweets.material.code].opening == "1.250 kg"


def test_of_a_lot_that_went_into_no_batch_nothing_is_left_out(
    house: Any, establishment: Any, lead: Any
) -> None:
    about = {"lot": str(house.sweets.uid)}
    inside, outside = (
        jobs.read(
            jobs.ask(
                establishment=establishment, asked_by=lead, kind="mass-balance", about=about, outside=each
            )
        )[0]
        for each in (False, True)
    )
    assert outside.groups == inside.groups
    assert outside.left_out == ()


def test_of_a_batch_what_came_out_and_the_gap_stay(asked: Any, house: Any) -> None:
    document = jobs.read(asked("batch", outside=True))[0]
    out, gap = document.groups
    assert (out.lines[0].word.split()[0], out.sum) == (house.sweets.code, "2.500 kg")
    assert gap.sum


@pytest.mark.parametrize("name", ["trace", "lot", "batch"])
def test_with_the_word_of_a_lead_for_the_batch_it_is_told_and_says_so(
    asked: Any, act: Any, lead: Any, house: Any, name: str
) -> None:
    let_go(act, lead, house.batch.uid)
    document, all_of_it, _ = read(asked(name, outside=True))
    assert document.left_out == ()
    assert told(all_of_it) != []
    assert "go to County food inspection" in all_of_it
    assert document.included[0].record in document.record_ids


@pytest.mark.parametrize("name", ["recall", "reply"])
def test_figures_of_recalls_and_replies_have_a_word_of_their_own(
    asked: Any, act: Any, lead: Any, name: str
) -> None:
    job = asked(name, outside=True)
    let_go(act, lead, job.subject)
    document, all_of_it, _ = read(job)
    assert [each for each in (*WENT_IN, *LEFT) if each in all_of_it] != []
    assert PHONE not in all_of_it
    assert document.included != ()


def test_an_address_a_lead_lets_go_brings_no_quantities(asked: Any, act: Any, lead: Any) -> None:
    job = asked("reply", outside=True)
    let_go(act, lead, job.subject, part="contacts")
    _, all_of_it, _ = read(job)
    assert told(all_of_it) == [PHONE]


@pytest.mark.parametrize(("outside", "there"), [(False, True), (True, False)])
def test_a_recall_plan_for_outside_has_no_telephone_in_page_data_or_evidence(
    act: Any, lead: Any, proof: Any, establishment: Any, outside: bool, there: bool
) -> None:
    reached = [each | {"reached_by": PHONE} for each in PLAN["outside"]]
    people = [each | {"telephone": PHONE} for each in PLAN["people"]]
    recall_plans.approve(act=act(lead), proof=proof, **(PLAN | {"outside": reached, "people": people}))
    job = jobs.ask(
        establishment=establishment,
        asked_by=lead,
        kind="recall-plan",
        about={"telephones": True},
        outside=outside,
    )
    _, all_of_it, evidence = read(job)
    assert (PHONE in all_of_it) is there
    assert check_evidence.check(evidence).differences == []


def test_each_kind_was_looked_at_for_outside() -> None:
    """A new kind is refused until somebody has said what it tells."""
    assert set(DocumentJob.Kind.values) == jobs.FOR_OUTSIDE | jobs.INSIDE_ONLY


# -- the inspection file ------------------------------------------------------------------------------


@pytest.fixture
def file(house: Any, establishment: Any, lead: Any) -> Callable[..., Any]:
    def asked(**how: Any) -> Any:
        about = {
            "lots": [str(house.nuts.uid)],
            "batches": [str(house.batch.uid)],
            "customers": [str(house.shop.pk)],
        }
        return jobs.ask(
            establishment=establishment, asked_by=lead, kind="inspection-file", about=about, **how
        )

    return asked


def content(job: DocumentJob, form: str) -> bytes:
    with default_storage.open(jobs.path_of(job, form)) as kept:
        found: bytes = kept.read()
    return found


def unpacked(name: str, data: bytes) -> str:
    """All that a file holds, and what is packed in it, as text."""
    if not name.endswith(".zip"):
        return data.decode()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return "\n".join(unpacked(each, archive.read(each)) for each in archive.namelist())


def everything(job: DocumentJob) -> str:
    """What stands on the pages, hangs in the PDF and lies in the ZIP."""
    pdf = content(job, "pdf")
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        hanging = [unpacked(name, each.get_file().read_bytes()) for name, each in opened.attachments.items()]
    forms = [content(job, form).decode() for form in ("json", "html")]
    return "\n".join(
        [extract_text(io.BytesIO(pdf)), *hanging, unpacked("all.zip", content(job, "zip")), *forms]
    )


@pytest.mark.pdf
def test_an_inspection_file_holds_no_recipe_price_or_contact_on_pages_or_in_files(
    file: Any, settings: Any, tmp_path: Any
) -> None:
    settings.MEDIA_ROOT = tmp_path
    job = file()
    jobs.make(job.pk)
    all_of_it = everything(job)
    assert "HN-7" in all_of_it
    assert told(all_of_it) == []


def front_and_evidence(job: DocumentJob) -> tuple[Any, list[Any], dict[str, Any]]:
    front, documents, shown = inspection_file._read(job, jobs.built)
    evidence = reading.evidence_file(job.establishment, shown, [front, *documents]).content
    return front, documents, json.loads(evidence)


@pytest.mark.parametrize("outside", [False, True])
def test_an_inspection_file_lists_what_its_documents_left_out_whoever_asks(file: Any, outside: bool) -> None:
    front, _, _ = front_and_evidence(file(outside=outside))
    assert {each.split(":")[0] for each in front.left_out} == {"Batch record", "Trace", "Mass balance"}
    page = rendering.to_html(front, for_paper=True)
    assert all(each in page for each in front.left_out)


def test_the_evidence_of_an_inspection_file_verifies_with_what_is_withheld(file: Any) -> None:
    _, _, evidence = front_and_evidence(file())
    found = check_evidence.check(evidence)
    assert (found.differences, found.withheld) == ([], 3)  # two uses, a count


def test_what_a_lead_let_go_is_in_the_inspection_file_and_named(
    file: Any, act: Any, lead: Any, house: Any
) -> None:
    let_go(act, lead, house.batch.uid)
    front, documents, evidence = front_and_evidence(file())
    assert [each.given_to for each in front.included] == ["County food inspection"]
    assert "731700" in json.dumps(evidence)
    assert all(each.left_out == () for each in documents if hasattr(each, "left_out"))


def let_go(act: Any, lead: Any, subject: Any, part: str = "recipe") -> None:
    said = {"given_to": "County food inspection", "because": "They ask for it."}
    disclosures.disclose(act=act(by=lead), subject=subject, part=part, **said)


def test_every_record_that_keeps_amounts_of_lots_is_withheld() -> None:
    """By the names of their fields: a new one must be looked at."""
    telling = {"figures", "in_batches", "quantity", "mass"}
    kinds = {
        model.kind
        for model in apps.get_models()
        if issubclass(model, Record) and telling & {each.name for each in model._meta.get_fields()}
    }
    looked_at = {*left_out.SAY_WHAT_WENT_IN, *left_out.HOLD_FIGURES, "batches.movement"}
    looked_at |= {"batches.at-outlet"}  # what was sold there
    assert kinds - looked_at == set()
