"""Local rules from a file: every row's error with line and column, all rows or none, and no doubling."""

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from batches.models import Material
from config.api.refusals import Unusable
from haccp import rule_files, rules
from haccp.models import UNCONFIRMED, Effect, LocalRule, MeantFor
from haccp.rule_files import UnreadableRules, example_set, example_sets, from_csv, from_yaml
from ledger.acts import Act
from ledger.models import Change, Establishment, Person
from tests.conftest import Client
from tests.haccp.science.tables import rows as table

HEADER = "code,name,quantity,upper,unit,authority,citation,in_force_from"
GOOD = "LR-1,Water activity,water activity,0.62,C62,Town food office,Letter 5,2026-01-01"
CSV = f"{HEADER}\n{GOOD}\n"
YAML = """
- code: LR-1
  name: Water activity
  quantity: water activity
  upper: 0.62
  unit: C62
  authority: Town food office
  citation: Letter 5
  in_force_from: 2026-01-01
"""


@pytest.fixture
def bring_in(act: Callable[..., Act], lead: Person) -> Callable[..., rules.BroughtIn]:
    def do(rows: list[rule_files.Row]) -> rules.BroughtIn:
        return rules.bring_in(act=act(lead), rows=rows)

    return do


def wrong(refusal: pytest.ExceptionInfo[Any]) -> set[tuple[str, str]]:
    return {(reason.field, reason.code) for reason in refusal.value.reasons}


# --- reading


def test_a_file_says_the_same_as_yaml_and_as_csv():
    assert rule_files.values(from_yaml(YAML)[0]) == rule_files.values(from_csv(CSV)[0])


def test_semicolons_part_cells_too():
    assert from_csv(CSV.replace(",", ";")) == from_csv(CSV)


def test_a_byte_order_mark_of_a_spreadsheet_is_no_part_of_the_first_column():
    assert from_csv(CSV.encode("utf-8-sig")) == from_csv(CSV)


def test_a_cell_may_hold_several_lines_and_the_next_rule_keeps_its_own_line():
    text = f"{HEADER}\n{GOOD.replace('Letter 5', chr(34) + 'Letter' + chr(10) + '5' + chr(34))}\n{GOOD}\n"
    assert [row.line for row in from_csv(text)] == [2, 4]


@pytest.mark.parametrize("character", ["\u2028", "\x85"])
def test_a_character_that_ends_no_line_of_a_table_parts_no_rule(character: str):
    (row,) = from_csv(CSV.replace("Letter 5", f"Letter{character}5"))
    assert row.cells["citation"] == f"Letter{character}5"


def test_line_ends_of_other_machines_are_taken():
    assert from_csv(CSV.replace("\n", "\r\n")) == from_csv(CSV)


def test_an_empty_cell_is_not_filled_in():
    assert "in_force_from" not in from_csv(CSV.replace("2026-01-01", ""))[0].cells


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("", ""),
        (HEADER, ""),
        (CSV.replace("upper", "uper"), "line 1"),
        (CSV.replace("upper", "code"), "line 1"),
        (CSV.replace("authority", "confirmed_by"), "line 1"),
        (CSV + "LR-2,short\n", "line 3"),
        (CSV + 'LR-2,"open\n', "line 3"),
        (CSV.replace("Letter", "Let\x07ter"), "line 2"),
        (CSV.encode() + b"\xff", ""),
        ("x" * (rule_files.MOST_BYTES + 1), ""),
        (HEADER + f"\n{GOOD}" * (rule_files.MOST_ROWS + 1), ""),
    ],
)
def test_a_table_that_cannot_be_read_says_where(text: str | bytes, field: str):
    with pytest.raises(UnreadableRules) as refusal:
        from_csv(text)
    assert {reason.field for reason in refusal.value.reasons} == {field}


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("", ""),
        ("# only a comment", ""),
        ("[]", ""),
        ("code: LR-1", "line 1"),
        ("- LR-1", "line 1"),
        (YAML + "  code: LR-2\n", "line 10"),
        (YAML + "  unit: [C62]\n", "line 10"),
        (YAML + "  subject: {of: nuts}\n", "line 10"),
        (YAML + "  subject: !!python/name:os.system x\n", "line 10"),
        ("- &a {code: LR-1}\n- *a", "line 1"),
        (YAML + "---\n" + YAML, "line 10"),
        ("- code: 'open", "line 1"),
        ("[" * 5000, "line 1"),
    ],
)
def test_yaml_that_is_no_list_of_rules_says_where(text: str, field: str):
    with pytest.raises(UnreadableRules) as refusal:
        from_yaml(text)
    assert {reason.field for reason in refusal.value.reasons} == {field}


# --- bringing in


def test_a_rule_that_is_brought_in_is_to_be_confirmed(bring_in: Callable[..., rules.BroughtIn]):
    (rule,) = bring_in(from_csv(CSV)).made
    assert (rule.status, rule.upper, rule.in_force_from) == (UNCONFIRMED, Decimal("0.62"), date(2026, 1, 1))
    assert "to be confirmed with your authority" in rule.status


def test_it_says_what_it_is_about_and_what_for(bring_in: Callable[..., rules.BroughtIn], nuts: Material):
    text = YAML + "  subject: hazelnuts\n  intended_use: as it is\n  meant_for: dry\n  effect: trigger\n"
    (rule,) = bring_in(from_yaml(text + "  material: NUT\n  lower: 0.1\n  lower_inclusive: no\n")).made
    assert (rule.subject, rule.intended_use, rule.material) == ("hazelnuts", "as it is", nuts)
    assert (rule.meant_for, rule.effect, rule.lower_inclusive) == (MeantFor.DRY, Effect.TRIGGER, False)


def test_without_a_first_day_it_begins_on_the_day_it_comes_in(bring_in: Callable[..., rules.BroughtIn]):
    (rule,) = bring_in(from_csv(CSV.replace("2026-01-01", ""))).made
    assert rule.in_force_from == date(2026, 3, 2)


def test_each_rule_leaves_a_record_of_its_own(bring_in: Callable[..., rules.BroughtIn]):
    made = bring_in(from_csv(f"{CSV}{GOOD.replace('LR-1', 'LR-2')}\n")).made
    assert set(Change.objects.values_list("subject_id", flat=True)) >= {rule.pk for rule in made}


@pytest.mark.parametrize(
    ("old", "new", "column", "code"),
    [
        ("C62", "", "unit", "unknown-unit"),
        ("C62", "aw", "unit", "unknown-unit"),
        ("Letter 5", "", "citation", "missing"),
        ("Town food office", "", "authority", "missing"),
        ("water activity", "", "quantity", "missing"),
        ("LR-1", "", "code", "missing"),
        ("Water activity", "", "name", "missing"),
        ("0.62", "", "lower", "no-bound"),
        ("0.62", "0,6,2", "upper", "not-a-number"),
        ("0.62", "NaN", "upper", "not-a-number"),
        ("0.62", "0.62001", "upper", "unusable-value"),
        ("2026-01-01", "1 January", "in_force_from", "not-a-day"),
        ("2026-01-01", "20260101", "in_force_from", "not-a-day"),
        ("LR-1", "A-CODE-OF-MORE-THAN-TWENTY", "code", "unusable-value"),
    ],
)
def test_a_row_that_is_no_use_says_line_and_column(
    bring_in: Callable[..., rules.BroughtIn], old: str, new: str, column: str, code: str
):
    bad = GOOD.replace(old, f'"{new}"' if "," in new else new)
    with pytest.raises(Unusable) as refusal:
        bring_in(from_csv(f"{HEADER}\n{bad}\n"))
    assert wrong(refusal) == {(f"line 2.{column}", code)}
    assert refusal.value.reasons[0].detail.startswith(f"Line 2, {column}: ")
    assert not LocalRule.objects.exists()


@pytest.mark.parametrize(
    ("line", "column", "code"),
    [
        ("meant_for: soup", "meant_for", "unknown-name"),
        ("effect: advice", "effect", "unknown-name"),
        ("material: NONE", "material", "unknown-material"),
        ("upper_inclusive: perhaps", "upper_inclusive", "not-yes-or-no"),
        ("in_force_until: 2025-12-31", "in_force_until", "ends-before-it-begins"),
        ("lower: 0.7", "lower", "bounds-crossed"),
        ("confirmed_by: Mara", "confirmed_by", "confirmed-by-signature"),
        ("citaton: Letter 6", "citaton", "unknown-column"),
    ],
)
def test_an_entry_that_is_no_use_says_its_own_line(
    bring_in: Callable[..., rules.BroughtIn], line: str, column: str, code: str
):
    with pytest.raises(Unusable) as refusal:
        bring_in(from_yaml(f"{YAML}  {line}\n"))
    assert wrong(refusal) == {(f"line 10.{column}", code)}


def test_every_row_is_told_and_none_is_kept(bring_in: Callable[..., rules.BroughtIn]):
    rows = [GOOD, GOOD.replace("LR-1", "LR-2").replace("C62", ""), GOOD.replace("0.62", "x")]
    with pytest.raises(Unusable) as refusal:
        bring_in(from_csv("\n".join([HEADER, *rows])))
    assert wrong(refusal) == {
        ("line 3.unit", "unknown-unit"),
        ("line 4.upper", "not-a-number"),
        ("line 4.code", "code-used-twice"),
    }
    assert not LocalRule.objects.exists()


def test_a_file_brought_in_twice_doubles_nothing(bring_in: Callable[..., rules.BroughtIn]):
    bring_in(from_csv(CSV))
    again = bring_in(from_csv(CSV))
    assert (again.made, [rule.code for rule in again.known], again.other) == ([], ["LR-1"], {})


def test_a_rule_that_stands_here_is_left_as_it_is_and_named(bring_in: Callable[..., rules.BroughtIn]):
    bring_in(from_csv(CSV))
    again = bring_in(from_csv(CSV.replace("0.62", "0.7")))
    assert (again.other, LocalRule.objects.get().upper) == ({"LR-1": ["upper"]}, Decimal("0.62"))


# --- over HTTP and from the shell


def test_a_file_comes_in_over_http(lead_api: Client):
    answer = lead_api.send("local-rules/from-file", {"csv": CSV}).json()
    assert [rule["status"] for rule in answer["made"]] == [UNCONFIRMED]
    again = lead_api.send("local-rules/from-file", {"yaml": YAML}).json()
    assert again == {"made": [], "left_as_it_is": [{"code": "LR-1", "says_something_else_in": []}]}


def test_the_answer_names_line_and_column(lead_api: Client):
    answer = lead_api.send("local-rules/from-file", {"csv": CSV.replace("C62", "")})
    assert answer.status_code == 400
    assert [error["field"] for error in answer.json()["errors"]] == ["line 2.unit"]


@pytest.mark.parametrize("body", [{}, {"csv": CSV, "example": "eu"}, {"example": "moon"}, {"yaml": "x"}])
def test_a_body_without_one_file_is_refused(lead_api: Client, body: dict[str, str]):
    assert lead_api.send("local-rules/from-file", body).status_code == 400


def test_an_operator_brings_no_rules_in(api: Client):
    assert api.send("local-rules/from-file", {"csv": CSV}).status_code == 403


def command(establishment: Establishment, *said: str) -> str:
    told = StringIO()
    call_command("rules", *said, establishment=str(establishment.pk), stdout=told)
    return told.getvalue()


def test_the_command_loads_and_lists(establishment: Establishment, lead: Person, tmp_path: Path):
    file = tmp_path / "rules.csv"
    file.write_text(CSV)
    assert "Written down: 1 rules" in command(establishment, "load", str(file), "--by", lead.sign_in_name)
    assert f"LR-1: water activity: 0.62 or less (Letter 5; {UNCONFIRMED})" in command(establishment, "list")


def test_the_command_tells_every_row(establishment: Establishment, lead: Person, tmp_path: Path):
    file = tmp_path / "rules.csv"
    file.write_text(CSV.replace("C62", "").replace("Letter 5", ""))
    with pytest.raises(CommandError, match=r"Line 2, citation: (.|\n)*Line 2, unit: "):
        command(establishment, "load", str(file), "--by", lead.sign_in_name)


# --- the example sets

UNITS = {
    "J33": {"ug/kg", "ug/kg fat"},
    "NA": {"mg/kg"},
    "C62": {"aw"},
    "Q30": {"pH"},
    "MMT": {"mm"},
    "HUR": {"h"},
    "CEL": {"degC"},
    "H87": {"count"},
    "MGM": {"mg protein"},
    "P1": {"g/100 g fat"},
}
COMPARED = {
    ("upper", True): {"<=", "="},
    ("upper", False): {"<"},
    ("lower", True): {">=", "="},
    ("lower", False): {">"},
}
PUBLISHED = table("local-rules")
EXAMPLES = [(name, row) for name in example_sets() for row in example_set(name)]


def test_there_are_two_example_sets():
    assert example_sets() == ("eu", "us")


@pytest.mark.parametrize(("name", "row"), EXAMPLES, ids=[row.cells["code"] for _, row in EXAMPLES])
def test_every_number_of_an_example_is_a_published_one(name: str, row: rule_files.Row):
    """local-rules.csv: published law, codes and guidance, each value with how it is known (read or memory)."""
    rule, _ = rule_files.values(row)
    for end in {"lower", "upper"} & set(rule):
        comparators = COMPARED[end, rule.get(f"{end}_inclusive", True)]
        assert [
            each
            for each in PUBLISHED
            if each["comparator"] in comparators
            and Decimal(each["value"]) == rule[end]
            and each["unit"] in UNITS[rule["unit"]]
            and each["provenance"] == rule["provenance"]
            and rule["citation"] in (each["source"], f"{each['source']}, {each['section']}")
            and each["jurisdiction"] in (name.upper(), "FAO/WHO")
        ]


@pytest.mark.parametrize("name", ["eu", "us"])
def test_an_example_set_comes_in_whole_and_unconfirmed(
    bring_in: Callable[..., rules.BroughtIn], establishment: Establishment, name: str
):
    made = bring_in(example_set(name)).made
    assert {rule.status for rule in made} == {UNCONFIRMED}
    assert len(made) == len(example_set(name))
    assert not rules.rules_in_force(establishment, date(2026, 3, 2))


def test_hard_objects_of_7_to_25_mm_are_a_trigger():
    """FDA compliance policy guide 555.425 (read): when the authority acts, no limit to work by."""
    (row,) = [row for _, row in EXAMPLES if row.cells["code"] == "US-HARD-OBJECT"]
    rule, _ = rule_files.values(row)
    assert (rule["lower"], rule["upper"], rule["effect"]) == (7, 25, Effect.TRIGGER)


def test_what_is_meant_for_moist_food_says_so():
    """Cooling, cooking and holding of the model Food Code are for food that needs time and temperature control."""
    moist = {row.cells["code"] for _, row in EXAMPLES if row.cells.get("meant_for") == "moist"}
    assert {code for code in moist if "COOL" in code or "COOK" in code or "HOLD" in code} == {
        "US-COOL-21",
        "US-COOL-5",
        "US-COOL-AMBIENT",
        "US-COOK-EGG",
        "US-COOK-STUFFED",
        "US-HOLD-HOT",
        "US-HOLD-COLD",
    }
