"""An allergen list as a YAML file. Nothing is guessed: every scalar is the text that stands there. Pure.

The lists that ship are data to start from, each row with its provenance; none is the law of a place.
"""

from importlib.resources import files
from typing import Any

import yaml

from config.api.refusals import Reason, Unusable

MOST_BYTES = 500_000
FIELDS = ("code", "name", "jurisdiction", "authority", "citation", "provenance", "in_force_from")
MAY_BE_LEFT_OUT = ("in_force_until",)
_LISTS = files("haccp").joinpath("allergens/lists")


class UnreadableList(Unusable):
    """The file as a whole cannot be read; ``field`` says which line. Nothing was kept."""

    code = "unreadable-list"


class _Strict(yaml.BaseLoader):
    """Text, lists and objects only; a name given twice or an alias is an error."""

    def compose_node(self, parent: Any, index: Any) -> Any:
        if self.check_event(yaml.AliasEvent):
            mark = self.peek_event().start_mark  # type: ignore[no-untyped-call]
            raise yaml.MarkedYAMLError(problem="an alias is not taken", problem_mark=mark)
        return super().compose_node(parent, index)

    def construct_mapping(self, node: Any, deep: bool = False) -> Any:
        seen: set[str] = set()
        for key, _ in node.value:
            if str(key.value) in seen:
                raise yaml.MarkedYAMLError(problem=f"{key.value} stands twice", problem_mark=key.start_mark)
            seen.add(str(key.value))
        return super().construct_mapping(node, deep)


def shipped() -> tuple[str, ...]:
    """The names of the lists that ship."""
    return tuple(sorted(file.name.removesuffix(".yaml") for file in _LISTS.iterdir() if ".yaml" in file.name))


def shipped_list(name: str) -> dict[str, Any]:
    return from_yaml(_LISTS.joinpath(f"{name}.yaml").read_bytes())


def from_yaml(text: str | bytes) -> dict[str, Any]:
    """The fields of a list, its groups under ``document``; their sense is not judged here. Raises UnreadableList."""
    if len(text) > MOST_BYTES:
        raise UnreadableList(f"The file is larger than {MOST_BYTES} bytes; an allergen list is not.")
    try:
        plain = text.decode("utf-8-sig") if isinstance(text, bytes) else text.removeprefix("\ufeff")
        read = yaml.load(plain, Loader=_Strict)  # builds text, lists and objects only
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        raise UnreadableList(f"Line {line}: {error.problem or 'not YAML'}.", field=f"line {line}") from None
    except (yaml.YAMLError, UnicodeError, TypeError, ValueError, RecursionError):
        raise UnreadableList("The file is not YAML in UTF-8 that a list can be read from.") from None
    if not isinstance(read, dict):
        raise UnreadableList("A list starts with named entries, such as code: and groups:.")
    return _fields(read)


def _unknown(name: str, known: set[str]) -> Reason:
    if name == "members":
        sentence = "A member stands in a group; give these under the group they belong to."
        return Reason("member-without-group", sentence, name)
    return Reason("unknown-field", f"{name!a} is not known here; known: {', '.join(sorted(known))}.", name)


def _fields(read: dict[str, Any]) -> dict[str, Any]:
    known = {*FIELDS, *MAY_BE_LEFT_OUT, "groups"}
    reasons = [_unknown(str(name)[:40], known) for name in sorted(set(read) - known, key=str)]
    for name in {*FIELDS, *MAY_BE_LEFT_OUT} & set(read):
        if not isinstance(read[name], str) or "\x00" in read[name]:
            reasons.append(Reason("shape", "This is text.", name))
    reasons += [Reason("missing", "Give this.", name) for name in FIELDS if not read.get(name)]
    if reasons:
        raise UnreadableList("The file is not an allergen list. Nothing was written.", reasons=reasons)
    head = {name: read[name] for name in (*FIELDS, *MAY_BE_LEFT_OUT) if read.get(name)}
    return head | {"document": {"groups": read.get("groups")}}
