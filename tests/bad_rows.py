"""A bad row for each CHECK of the tables: a good row of the scene, changed in one way.

To prove a new one, add a line: its name, its model, and what makes the row bad; one line for each way to be bad.
``of`` says which good row to start from, where not any will do. A value may be a function of that row. What is
unique needs no line (``tests/twins.py`` finds it), nor what holds for every record and everything with a code.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from batches import models as batches
from batches.models.places import Reference
from haccp import models as haccp
from ledger import models as ledger
from ledger.ids import uuid7
from ledger.models.people import THE_SERVICE
from reports.models import DocumentJob
from tests.conftest import NOON
from tests.twins import Model, implied, our_models, own_name, row_of, twin

ITSELF = uuid7()


@dataclass(frozen=True)
class BadRow:
    """``behind``: the trigger that looks first; "" where none does."""

    name: str
    model: Model
    of: dict[str, Any]
    changes: dict[str, Any]
    behind: str = ""

    def make(self) -> Any:
        """The row, unsaved, made from the scene as it is."""
        good = row_of(self.model, **self.of)
        changes = {name: value(good) if callable(value) else value for name, value in self.changes.items()}
        return twin(good, **changes)


BAD_ROWS: list[BadRow] = []


def refuses(name: str, model: Model, of: dict[str, Any] | None = None, /, **changes: Any) -> None:
    BAD_ROWS.append(BadRow(name, model, of or {}, changes))


def before(field: str) -> Callable[[Any], Any]:
    """A day, or a moment, earlier than what the good row has in ``field``."""
    return lambda row: getattr(row, field) - timedelta(days=1)


def same(field: str) -> Callable[[Any], Any]:
    return lambda row: getattr(row, field)


# -- every record, every thing with a code -----------------------------------------------------------

for kind in ledger.record_classes():
    own, table = own_name(kind), kind._meta.db_table
    refuses(f"{own}_offset_is_of_this_earth", kind, performed_offset=14 * 60 + 1)
    refuses(f"{own}_offset_is_of_this_earth", kind, performed_offset=-14 * 60 - 1)
    refuses(f"{own}_withdrawal_names_a_record", kind, {"corrects": None}, withdrawn=True)
    if not implied(kind):
        refuses(f"{own}_correction_has_a_reason", kind, corrects=same("pk"), reason="")
        itself = {"id": ITSELF, "corrects": ITSELF, "reason": "x"}
        BAD_ROWS.append(BadRow(f"{own}_does_not_correct_itself", kind, {}, itself, f"kept_{table}_correct"))

for model in our_models():
    if issubclass(model, Reference):
        refuses(f"{own_name(model)}_has_a_code", model, code="")

# -- ledger ------------------------------------------------------------------------------------------

refuses("establishment_has_a_name", ledger.Establishment, name="")
refuses("establishment_gln_is_thirteen_digits", ledger.Establishment, gln="952123400001")
refuses("establishment_gln_is_thirteen_digits", ledger.Establishment, gln="952123400001X")
refuses("seal_numbers_start_at_one", ledger.Seal, number=0)
refuses("seal_covers_something", ledger.Seal, leaf_count=0)
refuses("attachment_is_not_empty", ledger.Attachment, size=0)
refuses("removal_names_its_rule", ledger.Removal, rule="")
refuses("person_has_a_name", ledger.Person, name="")
refuses("the_service_does_not_sign_in", ledger.Person, sign_in_name=THE_SERVICE, is_active=True)
refuses("membership_role_is_known", ledger.Membership, role="jester")
refuses("membership_ends_after_it_begins", ledger.Membership, until_day=same("from_day"))
refuses("token_ends_after_it_begins", ledger.Token, ends_at=same("made_at"))
refuses("qualification_ends_after_it_begins", ledger.Qualification, valid_until=same("valid_from"))
refuses("disclosure_part_is_known", ledger.Disclosure, part="all")
refuses("disclosure_says_to_whom", ledger.Disclosure, given_to="")
refuses("disclosure_says_why", ledger.Disclosure, because="")
refuses("signing_key_has_a_certificate", ledger.SigningKey, certificate="")
refuses("signing_key_has_a_fingerprint", ledger.SigningKey, fingerprint="", replaces="0" * 64)
refuses("signing_key_does_not_replace_itself", ledger.SigningKey, replaces=same("fingerprint"))
refuses("entrance_names_the_authority", ledger.Entrance, authority="")
refuses("entrance_says_why", ledger.Entrance, because="")
refuses("entrance_closes_after_it_opens", ledger.Entrance, closes_at=same("opens_at"))
refuses("entrance_days_end_after_they_begin", ledger.Entrance, last_day=before("first_day"))
refuses("look_says_at_what", ledger.Look, what="")
refuses("look_was_answered", ledger.Look, answered=99)
refuses("look_was_answered", ledger.Look, answered=600)
refuses("qualification_has_evidence", ledger.Qualification, evidence="")
refuses("signature_is_by_the_signer", ledger.Signature, performed_by=lambda row: another_member(row))
refuses("signature_meaning_is_known", ledger.Signature, meaning="liked")


def another_member(record: Any) -> Any:
    held = ledger.Membership.objects.filter(establishment=record.establishment_id)
    return held.exclude(person=record.recorded_by_id)[0].person_id


# -- batches -----------------------------------------------------------------------------------------

refuses(
    "partner_has_a_part",
    batches.TradingPartner,
    {"outlet": ""},
    is_supplier=False,
    is_customer=False,
    is_carrier=False,
    is_laboratory=False,
)
refuses("partner_gln_is_thirteen_digits", batches.TradingPartner, gln="952123400001X")
refuses("outlet_is_a_customer", batches.TradingPartner, outlet="stall", is_customer=False, is_supplier=True)
refuses("outlet_is_a_customer", batches.TradingPartner, outlet="cart", is_customer=True)
refuses("at_outlet_is_known", batches.AtOutlet, what="eaten")
refuses("at_outlet_has_a_quantity", batches.AtOutlet, quantity=0)
refuses("web_order_has_a_number", batches.WebOrder, number="")
refuses("a_web_order_is_not_corrected", batches.WebOrder, corrects=same("pk"), reason="x")
refuses("buyer_can_be_reached", batches.Buyer, email="", phone="", address="")
refuses("forgetting_has_a_reason", batches.BuyerForgotten, because="")
refuses("what_is_forgotten_stays_so", batches.BuyerForgotten, corrects=same("pk"), reason="x")
refuses("material_gtin_is_fourteen_digits", batches.Material, gtin="9521234000015")
refuses("material_kind_is_known", batches.Material, kind="toy")
refuses("material_dimension_is_known", batches.Material, dimension="len")
refuses("material_piece_has_mass", batches.Material, piece_mass_mg=0)
refuses(
    "a_recipe_version_is_superseded_not_corrected", batches.RecipeVersion, corrects=same("pk"), reason="x"
)
refuses("brought_in_table_is_known", batches.BroughtIn, from_table="poems")
refuses("a_row_brought_in_is_not_corrected", batches.BroughtIn, corrects=same("pk"), reason="x")
refuses("a_proposal_is_answered_not_corrected", batches.ProposedReceipt, corrects=same("pk"), reason="x")
refuses("a_proposal_answer_is_not_corrected", batches.ProposalAnswer, corrects=same("pk"), reason="x")
ANSWER = "a_confirmed_proposal_has_its_receipt_a_declined_one_its_reason"
refuses(ANSWER, batches.ProposalAnswer, {"outcome": "confirmed"}, receipt=None)
refuses(ANSWER, batches.ProposalAnswer, {"outcome": "declined"}, because="")
refuses(ANSWER, batches.ProposalAnswer, {"outcome": "declined"}, outcome="eaten")
refuses("recipe_line_amount_is_positive", batches.RecipeLine, amount=0)
refuses("recipe_line_has_one_tolerance", batches.RecipeLine, tolerance_permille=1, tolerance_amount=1)
refuses("recipe_line_has_one_tolerance", batches.RecipeLine, tolerance_permille=None, tolerance_amount=None)
refuses("recipe_line_has_one_tolerance", batches.RecipeLine, tolerance_permille=None, tolerance_amount=-1)
refuses("rework_source_is_one_thing", batches.RecipeReworkSource, material=None, recipe=None)
refuses(
    "rework_source_is_one_thing",
    batches.RecipeReworkSource,
    {"recipe__isnull": False},
    material=lambda row: row.recipe.material_id,
)
refuses("batch_has_a_code", batches.Batch, code="")
refuses("batch_planned_is_positive", batches.BatchStart, planned=0)
refuses("part_numbers_start_at_one", batches.Part, number=0)
refuses("a_part_is_not_corrected", batches.Part, corrects=same("pk"), reason="x")
refuses("equipment_deed_is_known", batches.EquipmentUse, deed="lost")
refuses("batch_ends_after_it_begins", batches.BatchState, ended_at=before("started_at"))
refuses("occupation_ends_after_it_begins", batches.Occupation, until=before("since"))
refuses("lot_has_a_code", batches.Lot, code="")
refuses("rework_comes_from_a_batch", batches.Lot, is_rework=True, batch=None)
refuses("movement_has_a_quantity", batches.Movement, {"what": "sampled"}, quantity=0, effect=0)
refuses("movement_effect_follows_its_kind", batches.Movement, {"what": "sampled"}, effect=same("quantity"))
refuses(
    "movement_effect_follows_its_kind", batches.Movement, {"what": "received"}, what="eaten", partner=None
)
refuses("movement_mass_is_not_negative", batches.Movement, mass=-1)
refuses("used_and_made_name_a_batch", batches.Movement, {"what": "used"}, batch=None)
refuses("used_and_made_name_a_batch", batches.Movement, {"what": "sampled"}, batch=1)
refuses("in_and_out_name_a_partner", batches.Movement, {"what": "received"}, partner=None)
refuses("orders_are_shipped_and_returned", batches.Movement, {"what": "sampled"}, order=uuid7())
refuses("lot_status_is_known", batches.LotDecision, status="fine")
refuses("lot_state_is_known", batches.LotState, status="fine")
refuses("edge_joins_two_lots", batches.Edge, source=same("target_id"))
refuses("edge_quantity_is_not_negative", batches.Edge, quantity=-1)
refuses("edge_share_is_a_share", batches.Edge, share=1.01)
refuses("edge_share_is_a_share", batches.Edge, share=-0.01)
refuses("edge_mass_is_a_part", batches.Edge, mass=-1)
refuses("edge_mass_is_a_part", batches.Edge, mass=2, of_mass=1)
refuses("edge_holds_no_more_than_was_used", batches.Edge, quantity=2, used=1)
refuses("step_ends_after_it_begins", batches.ProcessStep, ended_at=before("performed_at"))
refuses("trim_is_positive", batches.TrimReturn, quantity=0)
refuses("weighed_apart_is_not_negative", batches.WeighedApart, quantity=-1)
refuses("weighed_apart_is_known", batches.WeighedApart, what="eaten")

# -- haccp -------------------------------------------------------------------------------------------

refuses("check_sheet_has_lines", haccp.CheckSheet, lines=0)
refuses("a_check_sheet_is_written_off_not_corrected", haccp.CheckSheet, corrects=same("pk"), reason="x")
refuses("a_sheet_is_written_off_for_a_reason", haccp.SheetWrittenOff, because="")
refuses("a_written_off_sheet_stays_so", haccp.SheetWrittenOff, corrects=same("pk"), reason="x")
refuses("check_keyed_from_a_sheet_names_its_line", haccp.Check, {"sheet__isnull": False}, sheet_line=None)
refuses("check_keyed_from_a_sheet_names_its_line", haccp.Check, {"sheet__isnull": False}, sheet_line=0)
refuses("check_keyed_from_a_sheet_names_its_line", haccp.Check, {"sheet": None}, sheet_line=1)

refuses("a_plan_version_is_superseded_not_corrected", haccp.PlanVersion, corrects=same("pk"), reason="x")
refuses("control_kind_is_known", haccp.ControlPoint, kind="ssop")
refuses("rule_has_a_bound", haccp.LocalRule, lower=None, upper=None)
refuses("rule_bounds_are_in_order", haccp.LocalRule, lower=lambda row: row.upper + 1)
refuses("rule_ends_after_it_begins", haccp.LocalRule, in_force_until=same("in_force_from"))
refuses("rule_names_its_source", haccp.LocalRule, citation="")
refuses("rule_names_its_source", haccp.LocalRule, authority="")
refuses("rule_names_its_unit", haccp.LocalRule, unit="")
refuses("rule_is_meant_for_a_known_food", haccp.LocalRule, meant_for="soup")
refuses("rule_effect_is_known", haccp.LocalRule, effect="advice")
refuses("rule_confirmation_has_a_time", haccp.LocalRule, confirmed_by=uuid7(), confirmed_at=None)
refuses("rule_confirmation_has_a_time", haccp.LocalRule, confirmed_by=None, confirmed_at=NOON)
refuses(
    "confirmed_rule_is_ended_not_put_away",
    haccp.LocalRule,
    confirmed_by=uuid7(),
    confirmed_at=NOON,
    in_use=False,
)
for source in ("jurisdiction", "authority", "citation", "provenance"):
    refuses("allergen_list_names_its_source", haccp.AllergenList, **{source: ""})
refuses("allergen_list_ends_after_it_begins", haccp.AllergenList, in_force_until=same("in_force_from"))
refuses("allergen_list_confirmation_has_a_time", haccp.AllergenList, confirmed_by=uuid7(), confirmed_at=None)
refuses("allergen_list_confirmation_has_a_time", haccp.AllergenList, confirmed_by=None, confirmed_at=NOON)
refuses(
    "confirmed_allergen_list_is_ended_not_put_away",
    haccp.AllergenList,
    confirmed_by=uuid7(),
    confirmed_at=NOON,
    in_use=False,
)
refuses("allergen_statement_names_its_document", haccp.AllergenStatement, document="")
refuses("instrument_range_is_in_order", haccp.Instrument, range_upper=same("range_lower"))
refuses("instrument_resolution_is_positive", haccp.Instrument, resolution=0)
refuses("instrument_uncertainty_is_not_negative", haccp.Instrument, expanded_uncertainty=-1)
refuses("composition_ends_after_it_begins", haccp.Composition, in_force_until=same("in_force_from"))
refuses("composition_names_its_source", haccp.Composition, method="")
refuses("composition_names_its_source", haccp.Composition, source="")
refuses("composition_names_its_source", haccp.Composition, provenance="")
refuses("instrument_is_verified_every_day_or_less_often", haccp.Instrument, verify_every_days=0)
refuses("verification_method_is_known", haccp.InstrumentVerification, method="by eye")
refuses("verification_result_is_known", haccp.InstrumentVerification, result="good")
refuses("verification_result_is_known", haccp.InstrumentVerification, left="good")
refuses("verification_names_its_standard", haccp.InstrumentVerification, standard="")
refuses(
    "a_cleaning_procedure_version_is_superseded_not_corrected",
    haccp.CleaningProcedureVersion,
    corrects=same("pk"),
    reason="x",
)
refuses("changeover_ends_after_it_begins", haccp.Changeover, ended_at=before("performed_at"))
refuses("changeover_says_what_follows", haccp.Changeover, to_material=None, to_recipe_version=None)
refuses("changeover_names_its_equipment", haccp.Changeover, equipment=[])
refuses("changeover_verification_method_is_known", haccp.ChangeoverVerification, method="sniff")
refuses("changeover_verification_result_is_known", haccp.ChangeoverVerification, result="fine")
refuses(
    "cleanliness_clears_no_allergen",
    haccp.ChangeoverVerification,
    {"method": "visual"},
    method="atp",
    allergen="milk",
)
refuses(
    "a_measured_residue_names_its_allergen",
    haccp.ChangeoverVerification,
    {"method": "visual"},
    method="swab",
    allergen="",
)
refuses("notice_is_about_one_thing", haccp.Notice, deviation=None, instrument=None)
refuses("notice_is_about_one_thing", haccp.Notice, {"instrument": None}, instrument=uuid7(), slot="x")
refuses("notice_is_about_one_thing", haccp.Notice, {"question": None}, question=uuid7(), slot="x")
refuses("notice_is_about_one_thing", haccp.Notice, {"relief": None}, relief=uuid7(), slot="x")
refuses("relief_has_a_code", haccp.ComplianceRelief, relief="")
refuses("relief_has_a_basis", haccp.ComplianceRelief, basis="")
refuses("relief_has_evidence", haccp.ComplianceRelief, evidence="")
refuses("relief_ends_after_it_begins", haccp.ComplianceRelief, until_day=same("from_day"))
refuses("notice_is_about_one_thing", haccp.Notice, {"finding": None}, finding=uuid7(), slot="x")
refuses("series_has_two_readings", haccp.Series, count=1)
refuses("series_ends_after_it_begins", haccp.Series, ended_at=same("began_at"))
refuses("a_label_version_is_superseded_not_corrected", haccp.LabelVersion, corrects=same("pk"), reason="x")
refuses("stated_parts_name_their_source", haccp.StatedParts, source="")
refuses("stated_parts_name_their_source", haccp.StatedParts, provenance="")
refuses("packing_moment_is_known", haccp.PackingCheck, moment="lunch")
refuses("packing_result_is_known", haccp.PackingCheck, result="fine")
refuses("packing_check_says_what_it_saw", haccp.PackingCheck, label_version=None, seen="")
refuses("contact_assessment_is_about_one_thing", haccp.ContactAssessment, lot=1)
refuses("contact_assessment_is_about_one_thing", haccp.ContactAssessment, material=None, lot=None)
refuses("contact_assessment_says_why", haccp.ContactAssessment, because="")
refuses("check_result_is_known", haccp.Check, result="perhaps")
refuses("check_is_made_on_something", haccp.Check, batch=None, part=None, lot=None)
refuses("check_of_a_part_names_its_batch", haccp.Check, batch=None, part=uuid7(), lot=1)
refuses("deviation_cause_is_known", haccp.Deviation, what="bad luck")
refuses("deviation_is_not_corrected", haccp.Deviation, corrects=same("pk"), reason="x")
refuses("deviation_has_a_title", haccp.Deviation, title="")
refuses("hold_subject_is_known", haccp.Hold, subject_kind="moon")
refuses("question_is_known", haccp.Answer, question="who")
refuses("answer_says_something", haccp.Answer, text="")
refuses("disposition_is_known", haccp.Disposition, decision="eat")
refuses("disposition_has_a_reason", haccp.Disposition, because="")
refuses("correction_says_why_no_impact", haccp.Correction, no_impact_because="")
refuses("correction_says_why_no_impact", haccp.Correction, done="")

refuses("markets_are_some", haccp.Markets, jurisdictions=[])
refuses("markets_say_why", haccp.Markets, because="")
refuses("kept_longer_names_a_group", haccp.KeptLonger, group="")
refuses("kept_longer_counts_years", haccp.KeptLonger, years=0)
refuses("kept_longer_counts_years", haccp.KeptLonger, years=101)
refuses("kept_longer_says_why", haccp.KeptLonger, because="")
refuses("legal_hold_says_why", haccp.LegalHold, because="")
refuses("archive_has_a_file", haccp.Archive, sha256="")
refuses("archive_has_a_file", haccp.Archive, root="")
refuses("archive_holds_records", haccp.Archive, records=0)
refuses("archive_holds_records", haccp.Archive, size=0)

# -- reports -----------------------------------------------------------------------------------------

refuses("document_state_is_known", DocumentJob, state="lost")
refuses("document_done_has_a_digest", DocumentJob, state="done", digest="")
DAY = date(2026, 3, 2)
refuses("document_days_end_after_they_begin", DocumentJob, told_first=DAY, told_last=DAY - timedelta(days=1))
refuses("document_days_end_after_they_begin", DocumentJob, told_first=DAY)
refuses("document_days_end_after_they_begin", DocumentJob, told_last=DAY)
refuses("document_parts_drawn_are_of_all", DocumentJob, parts_in_all=2, parts_drawn=3)

# -- recalls -----------------------------------------------------------------------------------------

LATER = {"determined_at": lambda row: row.performed_at + timedelta(minutes=1)}
refuses("recall_has_a_reason", haccp.Recall, because="")
refuses("recall_hazard_is_known", haccp.Recall, hazard="mood")
refuses("an_exercise_holds_nothing", haccp.Recall, {"is_exercise": False}, is_exercise=True)
refuses("an_exercise_holds_nothing", haccp.Recall, {"is_exercise": False}, deviation=None)
refuses("a_recall_is_ended_not_corrected", haccp.Recall, corrects=same("pk"), reason="x")
refuses("recall_is_decided_after_it_is_determined", haccp.Recall, **LATER)
refuses("recall_class_is_known", haccp.RecallStrategy, recall_class="IV")
refuses("recall_depth_is_known", haccp.RecallStrategy, depth="moon")
refuses("level_b_has_its_share", haccp.RecallStrategy, level="B", percent=None)
refuses("level_b_has_its_share", haccp.RecallStrategy, level="B", percent=100)
refuses("level_b_has_its_share", haccp.RecallStrategy, level="A", percent=50)
refuses("level_b_has_its_share", haccp.RecallStrategy, level="F")
refuses("a_strategy_is_superseded_not_corrected", haccp.RecallStrategy, corrects=same("pk"), reason="x")
refuses("a_scope_is_widened_not_corrected", haccp.RecallScope, corrects=same("pk"), reason="x")
refuses("exclusion_has_a_reason", haccp.RecallExclusion, because="")
refuses("an_exclusion_is_not_corrected", haccp.RecallExclusion, corrects=same("pk"), reason="x")
refuses("a_notice_is_not_corrected", haccp.RecallNotice, corrects=same("pk"), reason="x")
refuses("recall_means_are_known", haccp.RecallNotice, {"partner__isnull": False}, means="pigeon")
refuses("a_public_notice_names_nobody", haccp.RecallNotice, {"partner__isnull": False}, means="public")
refuses("a_public_notice_names_nobody", haccp.RecallNotice, {"partner__isnull": False}, partner=None)
refuses("a_public_notice_names_nobody", haccp.RecallNotice, {"partner__isnull": False}, order=uuid7())
refuses("no_address_of_a_buyer_is_kept", haccp.RecallNotice, {"means": "e-mail"}, partner=None, order=uuid7())
refuses("publication_names_its_place", haccp.NoticePublished, where="")
refuses("an_answer_is_of_somebody", haccp.RecallAnswer, partner=None)
refuses("an_answer_is_of_somebody", haccp.RecallAnswer, order=uuid7())
refuses("answer_means_are_known", haccp.RecallAnswer, means="pigeon")
refuses("a_recall_plan_says_how_the_public_is_told", haccp.RecallPlan, public_notice="")
refuses("a_recall_plan_is_superseded_not_corrected", haccp.RecallPlan, corrects=same("pk"), reason="x")
refuses("recall_end_has_a_reason", haccp.RecallEnd, because="")
refuses("an_end_is_not_corrected", haccp.RecallEnd, corrects=same("pk"), reason="x")
refuses("an_arrived_notice_has_one_sender", haccp.NoticeArrived, {"partner": None}, sender="")
refuses("an_arrived_notice_has_one_sender", haccp.NoticeArrived, {"partner": None}, partner=uuid7())
refuses("how_a_notice_came_is_known", haccp.NoticeArrived, came_by="pigeon")
refuses("an_arrived_notice_says_something", haccp.NoticeArrived, said="")
AFTER = {"came_at": lambda row: row.performed_at + timedelta(minutes=1)}
refuses("a_notice_came_before_it_was_taken_in", haccp.NoticeArrived, **AFTER)
refuses("a_reply_is_sent_anew_not_corrected", haccp.NoticeReply, corrects=same("pk"), reason="x")
refuses("a_reply_goes_to_its_sender", haccp.NoticeReply, means="public")
LATER = {"figures_at": lambda row: row.recorded_at + timedelta(minutes=1)}
refuses("figures_are_of_before_the_reply", haccp.NoticeReply, **LATER)
refuses("a_recall_question_is_decided_not_corrected", haccp.RecallQuestion, corrects=same("pk"), reason="x")
TOO_LATE = {"determined_at": lambda row: row.recorded_at + timedelta(minutes=1)}
refuses("a_question_is_asked_after_it_is_determined", haccp.RecallQuestion, **TOO_LATE)
refuses("a_lot_in_question_was_shipped", haccp.RecallQuestionLot, shipped=0)
refuses("a_lot_in_question_stays_in_it", haccp.RecallQuestionLot, corrects=same("pk"), reason="x")
refuses("a_verdict_has_a_reason", haccp.RecallVerdict, because="")
refuses("a_verdict_is_superseded_not_corrected", haccp.RecallVerdict, corrects=same("pk"), reason="x")

# -- inspections -------------------------------------------------------------------------------------

refuses("who_inspects_is_known", haccp.Inspection, by_whom="nobody")
refuses("who_inspects_is_known", haccp.Inspection, body="")
refuses("why_they_inspect_is_known", haccp.Inspection, why="fun")
refuses("another_reason_is_told", haccp.Inspection, why="other", about="")
refuses("how_they_inspect_is_known", haccp.Inspection, how="by ear")
refuses("what_an_inspection_notes_is_known", haccp.InspectionNote, what="sung")
refuses("an_inspection_note_says_something", haccp.InspectionNote, text="", document=None, record=None)
refuses("an_inspection_sample_is_of_something", haccp.InspectionSample, of="", lot=None, movement=None)
refuses("a_sampled_lot_has_its_movement", haccp.InspectionSample, {"lot__isnull": False}, movement=None)
refuses("a_sampled_lot_has_its_movement", haccp.InspectionSample, {"lot__isnull": False}, lot=None, of="x")
refuses("what_became_of_a_counter_sample_is_known", haccp.InspectionSample, counter="eaten")
refuses(
    "a_counter_sample_that_stays_is_described", haccp.InspectionSample, counter="stays", counter_sample=""
)
refuses("outcome_of_a_sample_is_known", haccp.SampleResult, outcome="fine")
refuses("a_sample_result_says_something", haccp.SampleResult, text="")
refuses("a_finding_says_something", haccp.Finding, text="")
refuses("a_finding_is_about_one_thing", haccp.Finding, lot=1, batch=1)
refuses("an_answer_to_a_finding_says_something", haccp.FindingAnswer, text="")
CLOSED = "a_finding_is_closed_by_a_word_or_for_a_reason"
refuses(CLOSED, haccp.FindingClosed, by="them", reference="")
refuses(CLOSED, haccp.FindingClosed, by="house", because="")
refuses(CLOSED, haccp.FindingClosed, by="moon")
refuses("a_closed_finding_stays_so", haccp.FindingClosed, corrects=same("pk"), reason="x")
THEN = {"arrived_at": lambda row: row.performed_at + timedelta(minutes=1)}
refuses("they_leave_after_they_came", haccp.InspectionEnd, **THEN)
refuses("a_disagreement_has_its_words", haccp.InspectionEnd, disagrees=True, objection="")
