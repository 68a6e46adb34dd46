"""Whether labels declare what is in a lot: pure.

A contained allergen is declared by its own code on every label used. The name of its group is not enough: law asks for
the kind of nut or cereal (as in the lists, read). A possibility is declared as contained or as possible, by its own code
or by its group. What nobody stated counts as a possibility. An assessment may cover a possibility and what nobody
stated; nothing covers what is contained. What a line of the recipe names and no use answers is declared as contained:
that nobody wrote the use down does not say that nobody weighed it in.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from config.api.refusals import Reason
from haccp.allergens.vocabulary import Vocabulary


class Step(Protocol):
    @property
    def uid(self) -> object: ...

    @property
    def code(self) -> str: ...


class Way(Protocol):
    """How something came in; the first step is where it was, or was not, stated."""

    @property
    def steps(self) -> Sequence[Step]: ...

    @property
    def note(self) -> str: ...


class Possible(Protocol):
    """Why something may be there."""

    @property
    def path(self) -> Way: ...


class Found(Protocol):
    """What is in a lot, as ``haccp.allergens.content`` derives it."""

    @property
    def contains(self) -> Mapping[str, Way]: ...

    @property
    def may(self) -> Mapping[str, Possible]: ...

    @property
    def unstated(self) -> Mapping[str, Way]: ...

    @property
    def unknown_by_contact(self) -> Mapping[str, Possible]: ...

    @property
    def unlisted(self) -> Mapping[str, Way]: ...

    @property
    def by_line(self) -> Mapping[str, Possible]: ...


@dataclass(frozen=True)
class Declared:
    """What one label version declares. ``name``: in words, for sentences."""

    name: str
    contains: frozenset[str]
    may: frozenset[str]


@dataclass(frozen=True)
class Compared:
    """``refused``: what stands against release. ``unknown``: what nobody stated and nothing covers; ``unstated``, its codes.

    ``told``: what is worth knowing and stands against nothing. ``covered``: the codes an assessment had to cover;
    ``undeclared``: those that are contained or possible and that a label does not declare.
    """

    refused: tuple[Reason, ...] = ()
    unknown: tuple[Reason, ...] = ()
    told: tuple[Reason, ...] = ()
    covered: frozenset[str] = frozenset()
    unstated: frozenset[str] = frozenset()
    undeclared: frozenset[str] = frozenset()


def compare(
    found: Found, labels: Sequence[Declared], assessed: Collection[str], vocabulary: Vocabulary
) -> Compared:
    """Hold what is in a lot against every label used on it; the code of each reason says what is wrong."""
    asked = _Asked(found, labels, frozenset(assessed), vocabulary)
    return Compared(
        (*asked.contained(), *asked.contained_by_line(), *asked.possible()),
        (*asked.unstated(), *asked.unstated_by_contact()),
        (*asked.absent(), *asked.unlisted()),
        frozenset(asked.covered()),
        frozenset(code for code in (*found.unstated, *found.unknown_by_contact) if asked.undeclared(code)),
        frozenset(asked.wrong()),
    )


def contained(found: Found, labels: Sequence[Declared], vocabulary: Vocabulary) -> list[Reason]:
    """Only what is contained and not declared, each with its path."""
    return list(_Asked(found, labels, frozenset(), vocabulary).contained())


@dataclass(frozen=True)
class _Asked:
    found: Found
    labels: Sequence[Declared]
    assessed: frozenset[str]
    vocabulary: Vocabulary

    def contained(self) -> Iterator[Reason]:
        for code in sorted(self.found.contains):
            for label in self.labels:
                if not self.names(label.contains, code):
                    path = self.found.contains[code]
                    sentence = f"It contains {self.word(code)} ({_way(path)}{path.note}); {label.name} does not declare it"
                    sentence += self.only_the_group(label, code)
                    yield Reason("allergen-undeclared", sentence, "lot", _ids(path))

    def contained_by_line(self) -> Iterator[Reason]:
        for code in sorted(self.found.by_line):
            for label in self.labels:
                if not self.names(label.contains, code):
                    because = self.found.by_line[code]
                    sentence = (
                        f"It counts as containing {self.word(code)}, {because}; {label.name} does not declare it as "
                        f"contained{self.only_the_group(label, code)} Record that use, or what was used in its place; "
                        "neither a may-contain nor an assessment covers it."
                    )
                    yield Reason("allergen-undeclared", sentence, "lot", _ids(because.path))

    def only_the_group(self, label: Declared, code: str) -> str:
        """How a sentence of what a label does not declare ends."""
        group = sorted(self.vocabulary.groups_of(code) & label.contains)
        return f", only {self.word(group[0])}: name the kind." if group else "."

    def possible(self) -> Iterator[Reason]:
        for code in sorted(self.found.may.keys() - self.found.by_line.keys()):
            for label in self.undeclared(code):
                because = self.found.may[code]
                sentence = (
                    f"It may contain {self.word(code)}, {because}; {label.name} does not say so, and no assessment "
                    "by a food-safety lead stands."
                )
                yield Reason("allergen-by-contact-undeclared", sentence, "lot", _ids(because.path))

    def wrong(self) -> Iterator[str]:
        """The codes that ``contained``, ``contained_by_line`` and ``possible`` refuse."""
        for code in (*self.found.contains, *self.found.by_line):
            if any(not self.names(label.contains, code) for label in self.labels):
                yield code
        yield from filter(self.undeclared, self.found.may)

    def unstated(self) -> Iterator[Reason]:
        """By where the statement is missing: one reason a lot, not one an allergen."""
        where: dict[str, list[str]] = {}
        paths: dict[str, Way] = {}
        for code in sorted(self.found.unstated):
            if self.undeclared(code):
                path = self.found.unstated[code]
                first = path.steps[0].code if path.steps else "it"
                where.setdefault(first, []).append(self.word(code))
                paths.setdefault(first, path)
        for first, words in sorted(where.items()):
            sentence = (
                f"Nobody stated whether {first} contains: {', '.join(words)}. Get its supplier's statement, declare "
                "it, or have it assessed."
            )
            yield Reason("content-unknown", sentence, "lot", _ids(paths[first]))

    def unstated_by_contact(self) -> Iterator[Reason]:
        where: dict[str, list[str]] = {}
        for code in sorted(self.found.unknown_by_contact):
            if self.undeclared(code):
                where.setdefault(str(self.found.unknown_by_contact[code]), []).append(self.word(code))
        for because, words in sorted(where.items()):
            sentence = f"Nobody stated of what was on the same equipment: {', '.join(words)}; {because}."
            yield Reason("contact-unknown", sentence, "lot")

    def absent(self) -> Iterator[Reason]:
        """Declared, and nothing brought it: allowed. What may be there or is not known is not absent."""
        here = {*self.found.contains, *self.found.may, *self.found.unstated, *self.found.unlisted}
        here |= set(self.found.unknown_by_contact)
        for label in self.labels:
            for code in sorted(label.contains - here):
                if not self.vocabulary.members_of(code) & here:
                    sentence = f"{label.name} declares {self.word(code)}; nothing that went in brought it."
                    yield Reason("declared-but-absent", sentence, "lot")

    def unlisted(self) -> Iterator[Reason]:
        for code in sorted(self.found.unlisted):
            if any(code not in label.contains for label in self.labels):
                sentence = f"It contains {self.word(code)}, which no list in force asks to declare."
                yield Reason("allergen-not-listed", sentence, "lot", _ids(self.found.unlisted[code]))

    def covered(self) -> Iterator[str]:
        asked = {*self.found.may, *self.found.unstated, *self.found.unknown_by_contact}
        for code in asked - self.found.by_line.keys():
            if any(not self.tells(label.contains | label.may, code) for label in self.labels):
                yield from ({code} | self.vocabulary.groups_of(code)) & self.assessed

    # -- what covers what ---------------------------------------------------------------------------

    def undeclared(self, code: str) -> list[Declared]:
        """The labels that say nothing of a possibility that no assessment covers."""
        if self.tells(self.assessed, code):
            return []
        return [label for label in self.labels if not self.tells(label.contains | label.may, code)]

    def names(self, declared: frozenset[str], code: str) -> bool:
        """By its own code; a group whose kind is not told, by all its kinds too."""
        members = self.vocabulary.members_of(code)
        return code in declared or (bool(members) and members <= declared)

    def tells(self, declared: frozenset[str], code: str) -> bool:
        """By its own code, its group, or all kinds of it."""
        return self.names(declared, code) or bool(self.vocabulary.groups_of(code) & declared)

    def word(self, code: str) -> str:
        return self.vocabulary.name(code)


def _way(path: Way) -> str:
    return " -> ".join(str(step) for step in path.steps)


def _ids(path: Way) -> list[str]:
    return [str(step.uid) for step in path.steps]
