"""The list of ingredients as a recipe gives it, and how far the one on a label lies from it. Pure.

In descending order by weight at mixing: what goes off in cooking is not taken off again, and water stands where its
weight puts it. Shares are exact fractions of all that is mixed; equal weights stand by name, then by code. Some law
relates a percentage to the finished product where water is lost (Regulation (EU) No 1169/2011, annex VIII, 3 (a): from
memory), lets added water be counted as it is left in it, or frees the order of what is under 2 % (from memory). So a
percentage is right by either where the recipe says what is left; a difference is shown, and a person decides.
"""

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

from haccp.labels.documents import EMPHASIS, Ingredient

AT_MIXING = (
    "By weight at mixing, before anything is cooked off. Where the law of the place relates a percentage to the "
    "finished product it can be told if the recipe says what total is left; added water is counted as it goes in."
)
PLACES = 1  # decimals shown where a label prints none to go by: a site setting, no source
LEAST_LETTERS = 4  # of a word that may stand in the product's name: a site setting, no source
_WORD = re.compile(r"\w+")
_EMPHASISED = re.compile(rf"{re.escape(EMPHASIS)}([^{re.escape(EMPHASIS)}]+){re.escape(EMPHASIS)}")
READ = "en"  # the language in which words can be compared with the names of allergens
ALSO = {"soybean": ("soya", "soy"), "sulphites": ("sulphur-dioxide", "sulfites", "sulfur-dioxide")}
"""Other English names of an allergen (common practice, no source)."""


@dataclass(frozen=True)
class Line:
    """What goes in. ``mass``: mg, None where it is not known. ``allergens``: words by code, of what it contains.

    ``parts``: what it is made of; with masses as its own recipe weighs them, or without as its supplier lists them.
    """

    code: str
    name: str
    mass: int | None = None
    allergens: Mapping[str, str] | None = None
    parts: tuple["Line", ...] = ()


@dataclass(frozen=True)
class Listed:
    """An ingredient where it belongs. ``share``: of all that is mixed; None in a compound that tells the order only."""

    code: str
    name: str
    share: Fraction | None
    allergens: Mapping[str, str]
    parts: tuple["Listed", ...] = ()


@dataclass(frozen=True)
class IngredientList:
    """``cannot``: why there is no list, or no order in a compound; in words.

    ``thicker``: all that is mixed over what is left of it, where the recipe tells that and something went off.
    """

    listed: tuple[Listed, ...]
    cannot: tuple[str, ...] = ()
    thicker: Fraction | None = None
    note: str = AT_MIXING


def computed(lines: Sequence[Line], left: int | None = None) -> IngredientList:
    """The list of what is mixed. Without the mass of one line there is none: it cannot be computed.

    ``left``: mg of the finished product, where the recipe says what it is cooked to.
    """
    merged = _merged(lines)
    unknown = [line.name for line in merged if line.mass is None]
    if unknown:
        sentence = f"Cannot be computed: the mass of {', '.join(unknown)} is not known; weigh a piece."
        return IngredientList((), (sentence,))
    total = sum(line.mass or 0 for line in merged)
    if total <= 0:
        return IngredientList((), ("Cannot be computed: nothing to eat goes in.",))
    cannot: list[str] = []
    thicker = Fraction(total, left) if left is not None and 0 < left < total else None
    return IngredientList(_listed(merged, Fraction(1), cannot), tuple(cannot), thicker)


def _listed(lines: Sequence[Line], whole: Fraction, cannot: list[str]) -> tuple[Listed, ...]:
    """Lines with masses, which together are ``whole``; the heaviest first."""
    total = sum(line.mass or 0 for line in lines)
    ordered = sorted(lines, key=lambda line: (-(line.mass or 0), line.name.casefold(), line.code))
    return tuple(_one(line, whole * Fraction(line.mass or 0, total), cannot) for line in ordered)


def _one(line: Line, share: Fraction | None, cannot: list[str]) -> Listed:
    return Listed(line.code, line.name, share, line.allergens or {}, _parts(line, share, cannot))


def _parts(line: Line, share: Fraction | None, cannot: list[str]) -> tuple[Listed, ...]:
    parts = _merged(line.parts)
    weighed = [part.mass for part in parts if part.mass is not None]
    if share is not None and len(weighed) == len(parts) and sum(weighed) > 0:
        return _listed(parts, share, cannot)
    if weighed:
        cannot.append(f"The order within {line.name} cannot be computed: not every mass is known.")
    return tuple(_one(part, None, cannot) for part in parts)


def _merged(lines: Sequence[Line]) -> list[Line]:
    """One line a material: what goes in twice is one ingredient."""
    found: dict[str, Line] = {}
    for line in lines:
        before = found.get(line.code)
        if before is None:
            found[line.code] = line
            continue
        known = before.mass is not None and line.mass is not None
        mass = (before.mass or 0) + (line.mass or 0) if known else None
        together = {**(before.allergens or {}), **(line.allergens or {})}
        found[line.code] = Line(line.code, before.name, mass, together, before.parts or line.parts)
    return list(found.values())


# -- in words -----------------------------------------------------------------------------------------


def percent(share: Fraction, places: int = PLACES) -> Decimal:
    """A share of the whole as a percentage, rounded half up to some decimals."""
    exact = share * 100
    step = Decimal(1).scaleb(-places)
    return (Decimal(exact.numerator) / Decimal(exact.denominator)).quantize(step, ROUND_HALF_UP)


def in_words(listed: Sequence[Listed], named: Collection[str] = ()) -> str:
    """One line: allergens between asterisks, compounds in brackets, a percentage for those whose code is ``named``."""
    return ", ".join(_in_words(each, named) for each in listed)


def _in_words(each: Listed, named: Collection[str]) -> str:
    words = emphasised(each.name, untold(each))
    if each.code in named and each.share is not None:
        words += f" {percent(each.share)} %"
    return f"{words} ({in_words(each.parts, named)})" if each.parts else words


def untold(each: Listed) -> dict[str, str]:
    """The allergens of an ingredient that none of its parts tells; those are told with its own name."""
    told = {code for part in each.parts for code in _codes(part)}
    return {code: word for code, word in each.allergens.items() if code not in told}


def _codes(each: Listed) -> Iterator[str]:
    yield from each.allergens
    for part in each.parts:
        yield from _codes(part)


def emphasised(name: str, allergens: Mapping[str, str]) -> str:
    """The name with its allergens between asterisks; one that the name does not tell is added in brackets."""
    name = name.replace(EMPHASIS, "")
    spans: list[tuple[int, int]] = []
    missing = []
    for code, word in sorted(allergens.items(), key=lambda each: (-len(each[0]), each[0])):
        found = _place_of(name, code)
        if found is None:
            missing.append(f"{EMPHASIS}{word}{EMPHASIS}")
        elif all(found[1] <= begin or end <= found[0] for begin, end in spans):
            spans.append(found)
    for begin, end in sorted(spans, reverse=True):
        name = f"{name[:begin]}{EMPHASIS}{name[begin:end]}{EMPHASIS}{name[end:]}"
    return f"{name} ({', '.join(sorted(missing))})" if missing else name


def _place_of(name: str, code: str) -> tuple[int, int] | None:
    """Where a name tells an allergen: by all the words of its code, singular or plural, and not by a part of a word.

    "Chopped nuts" does not tell the Brazil nut, nor does nutmeg.
    """
    *first, last = code.split("-")
    words = r"\W+".join(map(re.escape, (*first, last.removesuffix("s"))))
    found = re.search(rf"\b{words}(e?s)?\b", name, re.IGNORECASE)
    return None if found is None else found.span()


def told_by_name(listed: Sequence[Listed], product: str) -> frozenset[str]:
    """The codes of the ingredients, parts included, that the product's name tells of: those bear a percentage."""
    words = _long_words(product)
    return frozenset(
        each.code
        for each in _all(listed)
        if any(_same_word(one, other) for one in _long_words(each.name) for other in words)
    )


def _all(listed: Sequence[Listed]) -> Iterator[Listed]:
    for each in listed:
        yield each
        yield from _all(each.parts)


def _long_words(text: str) -> list[str]:
    return [word.casefold() for word in _WORD.findall(text) if len(word) >= LEAST_LETTERS]


def _same_word(one: str, other: str) -> bool:
    """The same, singular or plural."""
    return one.removesuffix("s") == other.removesuffix("s")


# -- against the label --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Difference:
    """``kind``: missing, extra, order, percentage, no-percentage, allergen, not-told. ``within``: the compound, or empty.

    not-told: the words printed emphasise nothing that tells an allergen which the ingredient is said to name.
    """

    kind: str
    name: str
    within: str
    printed: str
    computed: str


def differences(
    listed: Sequence[Listed],
    printed: Sequence[Ingredient],
    named: Collection[str] = (),
    thicker: Fraction | None = None,
    within: str = "",
) -> list[Difference]:
    """What a label prints otherwise than the recipe gives, compound by compound; ``named`` want a percentage.

    ``thicker``: as in the list; then a percentage of the finished product is right as well.
    """
    pairs, extra = _matched(listed, printed)
    there = {each.code for each, _ in pairs}
    found = [
        Difference("missing", each.name, within, "", in_words([each]))
        for each in listed
        if each.code not in there
    ]
    found += [Difference("extra", _plain(each), within, _plain(each), "") for each in extra]
    found += _out_of_order(pairs, within)
    for each, as_printed in pairs:
        found += _one_against(each, as_printed, named, thicker, within)
        if each.parts:
            found += differences(each.parts, as_printed.parts, named, thicker, each.name)
    return found


Pair = tuple[Listed, Ingredient]


def _matched(listed: Sequence[Listed], printed: Sequence[Ingredient]) -> tuple[list[Pair], list[Ingredient]]:
    """Pairs in the order printed, and what is printed and not found: by the material's code, else by its name."""
    left = {each.code: each for each in listed}
    pairs, extra = [], []
    for each in printed:
        names = {text.replace(EMPHASIS, "").casefold() for text in each.name.values()}
        same = each.material or next((code for code, one in left.items() if one.name.casefold() in names), "")
        if same in left:
            pairs.append((left.pop(same), each))
        else:
            extra.append(each)
    return pairs, extra


def _out_of_order(pairs: Sequence[Pair], within: str) -> Iterator[Difference]:
    """The fewest that would have to move. Where shares are known only they count, so that equals may stand either way."""
    if all(each.share is not None for each, _ in pairs):
        weights = [each.share or Fraction(0) for each, _ in pairs]
    else:
        return
    stay = _longest_falling(weights)
    for place, (each, _) in enumerate(pairs):
        if place not in stay:
            rank = sum(weight > weights[place] for weight in weights) + 1
            yield Difference("order", each.name, within, str(place + 1), str(rank))


def _longest_falling(weights: Sequence[Fraction]) -> set[int]:
    """Places of a longest run, with gaps, that never rises; the earlier where there are several."""
    best: list[tuple[int, int]] = []  # (length, place before) of the longest that ends here
    for place, weight in enumerate(weights):
        fits = [(best[before][0], -before) for before in range(place) if weights[before] >= weight]
        length, before = max(fits, default=(0, 1))
        best.append((length + 1, -before))
    stay: set[int] = set()
    now = max(range(len(best)), key=lambda place: (best[place][0], -place), default=-1)
    while now >= 0:
        stay.add(now)
        now = best[now][1]
    return stay


def _one_against(
    each: Listed, printed: Ingredient, named: Collection[str], thicker: Fraction | None, within: str
) -> Iterator[Difference]:
    if each.share is not None and printed.percent is not None:
        places = max(0, -int(printed.percent.as_tuple().exponent))
        right = [percent(each.share * times, places) for times in (Fraction(1), thicker) if times]
        if printed.percent not in right:
            told = " or, of the finished product, ".join(f"{one:f}" for one in right)
            yield Difference("percentage", each.name, within, f"{printed.percent:f}", told)
    elif each.code in named and printed.percent is None:
        told = "" if each.share is None else f"{percent(each.share):f}"
        yield Difference("no-percentage", each.name, within, "", told)
    missing = sorted(untold(each).keys() - _printed_codes(printed))
    if missing:
        yield Difference("allergen", each.name, within, ", ".join(printed.allergens), ", ".join(missing))
    by_parts = set[str]().union(*map(_printed_codes, printed.parts))
    own = [code for code in printed.allergens if code not in by_parts]
    for language, text in printed.name.items():
        not_told = _not_told(language, text, own, each.allergens)
        if not_told:
            yield Difference("not-told", each.name, within, text, ", ".join(not_told))


def _not_told(language: str, text: str, codes: Collection[str], words: Mapping[str, str]) -> Collection[str]:
    """Of the allergens an ingredient is said to name, those that nothing emphasised tells by one of their names.

    What words of another language say nobody here can tell; but fewer of them than allergens tell not all.
    """
    spans = _EMPHASISED.findall(text)
    if language.partition("-")[0].casefold() != READ:
        return codes if len(spans) < len(codes) else ()
    return [code for code in codes if not any(_tells(span, code, words.get(code, code)) for span in spans)]


def _tells(span: str, code: str, word: str) -> bool:
    names = (code, "-".join(_WORD.findall(word)), *ALSO.get(code, ()))
    return any(_place_of(span, name) is not None for name in names)


def _printed_codes(printed: Ingredient) -> set[str]:
    """What an ingredient names on the label, its brackets included."""
    return set(printed.allergens).union(*map(_printed_codes, printed.parts))


def _plain(printed: Ingredient) -> str:
    return next(iter(printed.name.values()), "").replace(EMPHASIS, "")
