"""What two inspection files differ in: documents and records that came, went, or were put right since. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Changes:
    """Of a later file against an earlier one, each as its data has it (``Line`` and ``Shown`` of the file)."""

    documents_new: tuple[dict[str, Any], ...]
    documents_gone: tuple[dict[str, Any], ...]
    records_new: tuple[dict[str, Any], ...]
    records_gone: tuple[dict[str, Any], ...]
    put_right: tuple[str, ...]
    """Ids of records of the earlier file that a new one corrects or withdraws."""


def between(earlier: Mapping[str, Any], later: Mapping[str, Any]) -> Changes:
    """Compare the data (JSON) of two files of one house."""
    new = _only(later["records"], earlier["records"], "record")
    known = {each["record"] for each in earlier["records"]}
    return Changes(
        documents_new=_only(later["lines"], earlier["lines"], "kind", "of"),
        documents_gone=_only(earlier["lines"], later["lines"], "kind", "of"),
        records_new=new,
        records_gone=_only(earlier["records"], later["records"], "record"),
        put_right=tuple(each["corrects"] for each in new if each["corrects"] in known),
    )


def _only(
    some: Iterable[dict[str, Any]], others: Iterable[dict[str, Any]], *by: str
) -> tuple[dict[str, Any], ...]:
    there = {tuple(each[name] for name in by) for each in others}
    return tuple(each for each in some if tuple(each[name] for name in by) not in there)
