"""The quick way from stored rows to digests comes to the same bytes as ``Record.content``, for every kind of record."""

import json
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ledger import canonical, stored
from ledger.models import record_classes
from ledger.models.records import Record

KINDS = list(record_classes())

# What PostgreSQL keeps: no U+0000 and no half of a surrogate pair.
text = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]))
kept_json = st.recursive(
    st.none() | st.booleans() | text,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(text, inner, max_size=4),
    max_leaves=12,
)


def taken(model: type[Record]) -> dict[str, str]:
    return {row.id: row.taken for row in stored.rows(model)}


@pytest.mark.django_db
@pytest.mark.parametrize("model", KINDS, ids=lambda model: model.kind)
def test_each_row_comes_to_the_digest_of_its_content(model: type[Record], scene: Any) -> None:
    rows = {str(row.pk): canonical.digest(row.content()) for row in model.objects.all()}
    assert taken(model) == rows


@pytest.mark.django_db
@pytest.mark.parametrize("model", KINDS, ids=lambda model: model.kind)
def test_each_record_is_read_for_evidence_as_it_is_digested(model: type[Record], scene: Any) -> None:
    rows = list(model.objects.order_by("recorded_at", "id"))
    read = list(stored.contents(model, [row.pk for row in rows]))
    assert [(one.pk, one.kind, one.digest) for one in read] == [
        (row.pk, row.kind, row.digest) for row in rows
    ]
    assert [one.text.encode() for one in read] == [canonical.canonical(row.content()) for row in rows]


@pytest.mark.django_db
def test_a_record_of_an_unknown_form_is_not_left_out_without_a_word(
    scene: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = next(model for model in KINDS if model.objects.exists())
    monkeypatch.setattr(model, "FORMS", {2: model.FORMS[max(model.FORMS)]})
    with pytest.raises(ValueError, match="has a form that is not known here"):
        list(stored.contents(model, [model.objects.first().pk]))


@pytest.mark.django_db
def test_the_demos_firm_has_records_of_most_kinds(scene: Any) -> None:
    """Else the test above would show little."""
    without = {model.kind for model in KINDS if not model.objects.exists()}
    assert len(without) <= len(KINDS) // 4, without


@example(
    value={"\ufb33": "later by UTF-16", "\U0001f600": "later by UTF-8"}
)  # the sorting example of RFC 8785, 3.2.3
@given(value=kept_json)
def test_json_is_put_in_canonical_order(value: Any) -> None:
    for written in (json.dumps(value), json.dumps(value, ensure_ascii=False)):
        assert stored._in_order(written).encode() == canonical.canonical(value)


@pytest.mark.django_db
@given(said=text.filter(lambda said: len(said) <= 4000))
def test_a_note_of_any_characters_comes_to_the_same_bytes(said: str) -> None:
    """The database writes texts as JSON; control characters, quotes and all planes of Unicode must come out alike."""
    from django.db import connection

    with connection.cursor() as cursor:
        way = stored.POSTGRESQL if connection.vendor == "postgresql" else stored.SQLITE
        cursor.execute(
            f"SELECT {way[stored.TEXT].format('given.said')} FROM (SELECT CAST(%s AS TEXT) AS said) AS given",
            [said],
        )
        (written,) = cursor.fetchone()
    assert written.encode() == canonical.canonical(said)
