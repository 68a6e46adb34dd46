"""What a label must declare of what is in a lot, and what covers what."""

from dataclasses import dataclass, field
from datetime import date
from typing import Any

import pytest

from haccp.allergens.documents import Group, Member
from haccp.allergens.vocabulary import Listed, Vocabulary
from haccp.labels.declaring import Compared, Declared, compare


def group(code: str, *members: str) -> Group:
    return Group(
        code,
        f"{code} (group)" if members else code,
        tuple(Member(each, each, None, None, None, (), "", "read") for each in (members or (code,))),
    )


NUTS = group("tree-nuts", "almond", "hazelnut")
WORDS = Vocabulary([Listed("XX", date(2020, 1, 1), None, (group("milk"), group("peanut"), NUTS))])


@dataclass(frozen=True)
class Step:
    uid: str
    code: str

    def __str__(self) -> str:
        return self.code


@dataclass(frozen=True)
class Way:
    steps: tuple[Step, ...]
    note: str = ""


@dataclass(frozen=True)
class Possible:
    path: Way

    def __str__(self) -> str:
        return "left on the table by batch B-7"


@dataclass(frozen=True)
class Found:
    contains: dict[str, Way] = field(default_factory=dict)
    may: dict[str, Possible] = field(default_factory=dict)
    unstated: dict[str, Way] = field(default_factory=dict)
    unknown_by_contact: dict[str, Possible] = field(default_factory=dict)
    unlisted: dict[str, Way] = field(default_factory=dict)
    by_line: dict[str, Possible] = field(default_factory=dict)


WAY = Way((Step("u1", "NUT-1"), Step("u2", "PIL-1")))
BY_TABLE = Possible(WAY)


def label(contains: tuple[str, ...] = (), may: tuple[str, ...] = (), name: str = "version 1") -> Declared:
    return Declared(name, frozenset(contains), frozenset(may))


def held(found: Any, *labels: Declared, assessed: tuple[str, ...] = ()) -> Compared:
    return compare(found, labels, assessed, WORDS)


def codes(reasons: Any) -> list[str]:
    return [reason.code for reason in reasons]


def test_what_is_contained_and_declared_is_in_order() -> None:
    assert held(Found({"hazelnut": WAY}), label(("hazelnut",))) == Compared()


def test_what_is_contained_and_not_declared_is_refused_with_its_path() -> None:
    (reason,) = held(Found({"hazelnut": WAY}), label(("milk",))).refused
    assert (reason.code, list(reason.ids)) == ("allergen-undeclared", ["u1", "u2"])
    assert "NUT-1 -> PIL-1" in reason.detail


@pytest.mark.parametrize("declared", [label(may=("hazelnut",)), label(("tree-nuts",))])
def test_neither_a_possibility_nor_the_group_declares_what_is_contained(declared: Declared) -> None:
    assert codes(held(Found({"hazelnut": WAY}), declared).refused) == ["allergen-undeclared"]


def test_the_group_alone_is_told_to_name_the_kind() -> None:
    (reason,) = held(Found({"hazelnut": WAY}), label(("tree-nuts",))).refused
    assert reason.detail.endswith("name the kind.")


def test_an_assessment_does_not_cover_what_is_contained() -> None:
    found = held(Found({"hazelnut": WAY}), label(), assessed=("hazelnut", "tree-nuts"))
    assert codes(found.refused) == ["allergen-undeclared"]


def test_nuts_whose_kind_nobody_told_are_declared_as_nuts_or_as_every_kind() -> None:
    found = Found({"tree-nuts": WAY})
    assert held(found, label(("tree-nuts",))).refused == ()
    assert held(found, label(("almond", "hazelnut"))).refused == ()
    assert codes(held(found, label(("hazelnut",))).refused) == ["allergen-undeclared"]


def test_every_label_used_must_declare_it() -> None:
    first, second = label(("hazelnut",)), label((), name="version 2")
    (reason,) = held(Found({"hazelnut": WAY}), first, second).refused
    assert "version 2" in reason.detail


@pytest.mark.parametrize(
    "declared", [label(("almond",)), label(may=("almond",)), label(may=("tree-nuts",)), label(("tree-nuts",))]
)
def test_a_possibility_is_declared_by_its_name_or_its_group(declared: Declared) -> None:
    assert held(Found(may={"almond": BY_TABLE}), declared).refused == ()


def test_an_undeclared_possibility_is_refused_unless_it_is_assessed() -> None:
    found = Found(may={"almond": BY_TABLE})
    (reason,) = held(found, label(may=("hazelnut",))).refused
    assert reason.code == "allergen-by-contact-undeclared"
    assert "left on the table by batch B-7" in reason.detail
    assert held(found, label(), assessed=("almond",)).refused == ()
    assert held(found, label(), assessed=("tree-nuts",)).refused == ()
    assert codes(held(found, label(), assessed=("hazelnut",)).refused) == ["allergen-by-contact-undeclared"]


def test_what_nobody_stated_is_told_by_where_the_statement_is_missing() -> None:
    found = Found(unstated={"almond": WAY, "milk": WAY, "peanut": Way((Step("u3", "SUG-1"),))})
    unknown = held(found, label()).unknown
    assert codes(unknown) == ["content-unknown", "content-unknown"]
    assert "whether NUT-1 contains: almond, milk." in unknown[0].detail
    assert list(unknown[1].ids) == ["u3"]


def test_what_nobody_stated_is_covered_like_a_possibility() -> None:
    found = Found(unstated={"almond": WAY}, unknown_by_contact={"milk": BY_TABLE})
    assert held(found, label(("milk",), ("tree-nuts",))).unknown == ()
    assert held(found, label(), assessed=("almond", "milk")).unknown == ()
    assert codes(held(found, label()).unknown) == ["content-unknown", "contact-unknown"]


def test_what_is_declared_and_was_not_brought_is_told_only() -> None:
    found = held(Found({"hazelnut": WAY}), label(("hazelnut", "milk")))
    assert (found.refused, codes(found.told)) == ((), ["declared-but-absent"])


@pytest.mark.parametrize("found", [Found(may={"milk": BY_TABLE}), Found(unstated={"milk": WAY})])
def test_what_may_be_there_or_is_not_known_is_not_called_absent(found: Found) -> None:
    assert held(found, label(("milk",))).told == ()


def test_a_group_is_not_called_absent_where_one_of_it_is_there() -> None:
    assert held(Found({"hazelnut": WAY}), label(("hazelnut", "tree-nuts"))).told == ()


def test_what_no_list_asks_for_is_told() -> None:
    assert codes(held(Found(unlisted={"almond": WAY}), label()).told) == ["allergen-not-listed"]


def test_it_rests_only_on_assessments_it_needs() -> None:
    found = Found(may={"almond": BY_TABLE, "milk": BY_TABLE})
    assert held(found, label(("milk",)), assessed=("almond", "milk")).covered == {"almond"}


# -- lines of the recipe without a recorded use -----------------------------------------------------------

BY_LINE = Found(may={"almond": BY_TABLE}, by_line={"almond": BY_TABLE})


def test_what_a_line_without_a_use_contains_is_declared_as_contained() -> None:
    assert held(BY_LINE, label(("almond",))) == Compared()


@pytest.mark.parametrize(
    "declared", [label(), label(may=("almond",)), label(("tree-nuts",)), label(may=("tree-nuts",))]
)
def test_nothing_else_declares_it_and_no_assessment_covers_it(declared: Declared) -> None:
    found = held(BY_LINE, declared, assessed=("almond", "tree-nuts"))
    (reason,) = found.refused
    assert (reason.code, list(reason.ids)) == ("allergen-undeclared", ["u1", "u2"])
    assert reason.detail.startswith(
        "It counts as containing almond, left on the table by batch B-7; version 1"
    )
    assert (found.covered, found.undeclared) == (frozenset(), {"almond"})


def test_the_group_alone_does_not_name_what_a_line_contains() -> None:
    (reason,) = held(BY_LINE, label(("tree-nuts",))).refused
    assert "only tree-nuts (group): name the kind. Record that use" in reason.detail


def test_every_label_used_must_declare_what_a_line_contains() -> None:
    first, second = label(("almond",)), label(may=("almond",), name="version 2")
    (reason,) = held(BY_LINE, first, second).refused
    assert "version 2" in reason.detail
