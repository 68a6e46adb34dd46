"""What is asked of every house, part by part, and what published law spares a small one. Pure, no Django.

A relief eases what its parts name here and nothing else; most of what law spares is asked by this service all the same.
How well each text is known stands with it: read; read in a secondary text; from memory. Everything defers to the authority.
"""

from collections.abc import Collection
from dataclasses import dataclass
from difflib import get_close_matches

from config.api.refusals import RuleBroken, Unusable
from haccp.recalls.periods import EU, US

YEAR = 366
"""The longest days of a relief whose law names no term: a site setting, no source."""
TWO_YEARS = 731
"""How often a qualified facility attests: 21 CFR 117.201(c) (read in a secondary text)."""
DEFERRAL = (
    "This says which parts the service asks of this establishment, and on whose word one is not asked. Whether a relief "
    "applies is for the competent local authority to say; its word comes first."
)
KEPT = (
    "No relief eases a check of a critical control point, anything about an allergen, a hold, or a release: these are asked of "
    "every house."
)


@dataclass(frozen=True)
class Part:
    """``requirements``: ids of the map of requirements. ``kept``: no relief may ease it. ``gaps``: codes of gaps of a plan
    that no longer stand before its approval where it is eased; ``eased``: what is different then, in words."""

    code: str
    name: str
    asks: str
    requirements: tuple[str, ...]
    kept: bool = False
    gaps: frozenset[str] = frozenset()
    eased: str = ""


@dataclass(frozen=True)
class Relief:
    """``countries``: ISO 3166-1. ``spares``: in law; ``eases``: codes of parts, here. ``instead``: what it asks for in turn.
    ``longest_days``: after so many it is recorded anew."""

    code: str
    countries: frozenset[str]
    name: str
    for_whom: str
    spares: str
    instead: str
    eases: tuple[str, ...]
    longest_days: int
    source: str
    provenance: str


PARTS = (
    Part(
        "plan",
        "Hazard plan",
        "A hazard plan without gaps, approved by signature of a qualified food-safety lead; without one no batch begins.",
        ("R-CX-1-steps", "R-US-117-126", "R-EU-852-5"),
        kept=True,
    ),
    Part(
        "critical-checks",
        "Checks of critical points",
        "Every check of a critical control point falls due; one that is missed or outside its limit opens a case with hold.",
        ("R-CX-1-mon", "R-US-117-145-a", "R-US-117-305-b"),
        kept=True,
    ),
    Part(
        "allergens",
        "Allergens",
        "What a lot contains or may contain is derived, declared on its labels, and cleared by a released changeover only.",
        ("R-US-AL-9", "R-US-AL-ctl", "R-EU-1169", "R-EU-382-all"),
        kept=True,
    ),
    Part(
        "holds",
        "Deviations and holds",
        "What failed is held, and its case closes with answers to three questions and a decision on each lot.",
        ("R-CX-1-ca", "R-US-117-150-a"),
        kept=True,
    ),
    Part(
        "release",
        "Release",
        "A lot leaves after its release by signature, which waits for due checks, open cases and labels.",
        ("R-CX-1-trace",),
        kept=True,
    ),
    Part(
        "review",
        "Review of what matters most",
        "Somebody else reviews checks of critical points, of allergens and of suppliers, whatever is not within its limit, "
        "packing checks, slips put right and closed deviations.",
        ("R-CX-1-ver", "R-US-117-165-rev"),
        kept=True,
    ),
    Part(
        "records-in-time",
        "Records made with the work",
        "Every record says when the work was done and when it was written down; a late one is marked.",
        ("R-US-117-305-c", "R-US-117-305-d"),
        kept=True,
    ),
    Part(
        "tracing",
        "Tracing",
        "Every lot leads back to its suppliers and forward to whom it went.",
        ("R-EU-178-18", "R-US-1-345-a", "R-US-1-345-b"),
        kept=True,
    ),
    Part(
        "recall",
        "Recall",
        "A recall plan, and the question whether to recall as soon as what is held has left.",
        ("R-US-117-139", "R-US-350f", "R-EU-178-19"),
        kept=True,
    ),
    Part(
        "suppliers",
        "Controls by suppliers",
        "Where a supplier controls a hazard, the plan says how suppliers are approved and verified, and receipts are checked.",
        ("R-US-117-410",),
        kept=True,
    ),
    Part(
        "instruments",
        "Instruments",
        "Instruments are verified on schedule; what a failed one measured is in doubt.",
        ("R-US-117-165-cal",),
        kept=True,
    ),
    Part(
        "plan-form",
        "Team and scales in the plan",
        "The plan tells the competence of each member of its team, and what its values of likelihood and severity mean.",
        ("R-CX-1-haz", "R-EU-852-5"),
        gaps=frozenset({"team-member-incomplete", "no-scale"}),
        eased="A plan is approved without it; the gap is still told.",
    ),
    Part(
        "reanalysis",
        "Analysis done again",
        "The plan says how often, and on which occasions, the hazards are analysed anew.",
        ("R-US-117-170",),
        gaps=frozenset({"no-reanalysis"}),
        eased="A plan is approved without it; the gap is still told.",
    ),
    Part(
        "lesser-validation",
        "Validation of lesser controls",
        "An operational prerequisite programme has evidence that its criterion works, or a day by which it has it.",
        ("R-US-117-160",),
        gaps=frozenset({"no-validation", "validation-late"}),
        eased="A plan is approved without it, except for controls of allergens and of suppliers; the gap is still told.",
    ),
    Part(
        "lesser-review",
        "Review of other records",
        "Checks of operational programmes within their criteria, and ends of batches, are reviewed too.",
        ("R-US-117-165-rev",),
        eased="Those recorded in its days are not listed as due, but for what corrects, bears a flag, or is about an allergen "
        "or a supplier; whoever likes reviews them all the same.",
    ),
    Part(
        "own-review",
        "Review by somebody else",
        "Nobody reviews a record of their own.",
        ("R-CX-1-ver",),
        eased="A one-person firm noted the exception and its reason: who made a record may review it.",
    ),
    Part(
        "start-gate",
        "Start by permission",
        "A batch that may not start is refused, with every reason.",
        ("R-US-11-10-fg",),
        eased="In a phased start the reasons are kept as warnings; release stays as strict as ever.",
    ),
)
BY_PROFILE = frozenset({"own-review", "start-gate"})
"""Eased by the establishment's own profile, and by no relief of law."""
_OF_SUBPART_C = ("plan-form", "reanalysis", "lesser-validation", "lesser-review")

RELIEFS = (
    Relief(
        "us-qualified-facility",
        US,
        "Qualified facility",
        "Mean yearly sales of food plus the value of unsold stock under 1,000,000 USD over 3 years, adjusted for inflation, with "
        "affiliates; or under 500,000 USD with most of it sold to qualified end users.",
        "Subparts C (hazard analysis, preventive controls, review within 7 working days, analysis done again) and G "
        "(supply-chain program) of 21 CFR part 117. For the records of the attestation alone, 117.305(b), (d), (e) and (f).",
        "Attest every 2 years; keep what supports it for the 3 years looked back on; who relies on local law instead gives name "
        "and full address on the label or at the point of sale. Good manufacturing practice, training and access to records "
        "stay. The authority can withdraw it.",
        _OF_SUBPART_C,
        TWO_YEARS,
        "21 CFR 117.3, 117.5(a), 117.201, 117.301(c), 117.315(a)(2)",
        "read (117.301(c)); read in a secondary text; from memory (500,000 USD)",
    ),
    Relief(
        "us-retail-food-establishment",
        US,
        "Retail food establishment",
        "Selling food directly to consumers is its primary function: yearly sales to consumers exceed those to all other buyers.",
        "Registration as a facility, and with it subparts C and G of 21 CFR part 117.",
        "State and local law for retail, which the authority names.",
        _OF_SUBPART_C,
        YEAR,
        "21 CFR 1.227",
        "read in a secondary text (the definition); from memory (what follows)",
    ),
    Relief(
        "us-cottage-food",
        US,
        "Cottage food by state law",
        "Makers at home as far as their state's law names them, their foods and their sales.",
        "What that law spares; each state has its own.",
        "What that law asks for, such as words on the label.",
        (),
        YEAR,
        "State law",
        "from memory",
    ),
    Relief(
        "us-traceability-small-retail",
        US,
        "Small retail food establishment, traceability rule",
        "A retail food establishment with food worth at most 250,000 USD a year, mean of 3 years, adjusted for inflation.",
        "21 CFR part 1 subpart S, for foods on the traceability list.",
        "Nothing; the one step back and forward of subpart J may still be asked.",
        (),
        YEAR,
        "21 CFR 1.1305(i)",
        "from memory",
    ),
    Relief(
        "us-traceability-no-sheet",
        US,
        "No sortable spreadsheet, traceability rule",
        "Food worth at most 1,000,000 USD a year, mean of 3 years, adjusted for inflation.",
        "The sortable spreadsheet within 24 hours; not the records.",
        "The same records in another form.",
        (),
        YEAR,
        "21 CFR 1.1455(c)(3)(iii)",
        "from memory",
    ),
    Relief(
        "us-small-retail-records",
        US,
        "Retail with ten or fewer full-time staff, one step back and forward",
        "A retail food establishment with at most 10 full-time equivalent employees.",
        "Keeping records of 21 CFR part 1 subpart J; not showing those there are.",
        "What there is, is shown on request.",
        (),
        YEAR,
        "21 CFR 1.327(f)",
        "from memory",
    ),
    Relief(
        "eu-nature-and-size",
        EU,
        "Documents and records by nature and size",
        "A food business whose nature and size allow simpler documents, as its authority sees it.",
        "Fullness of documents and records of the procedure by HACCP principles. The Commission's notice 2022/C 355/01 tells how "
        "flexibility is meant. Tracing, allergens and withdrawal have no exemption.",
        "Evidence in the manner the authority asks for, given the nature and size of the business.",
        ("plan-form", "lesser-review"),
        YEAR,
        "Regulation (EC) 852/2004, Article 5(2)(g), (4)",
        "read (nature and size); read in a secondary text (title and contents of the notice); from memory (the rest)",
    ),
)


def part(code: str) -> Part:
    return next(each for each in PARTS if each.code == code)


def relief(code: str) -> Relief:
    """Raises Unusable that names those there are, the nearest first."""
    found = next((each for each in RELIEFS if each.code == code), None)
    if found is not None:
        return found
    known = [each.code for each in RELIEFS]
    guess = get_close_matches(code, known, 1)
    meant = f" Is {guess[0]} meant?" if guess else ""
    raise Unusable(
        f"No relief has the code {code}.{meant} There are: {', '.join(known)}.",
        field="relief",
        code="unknown",
    )


def of(country: str) -> tuple[Relief, ...]:
    """Those that the law of a country knows, by its two letters of ISO 3166-1; none where none is known to us."""
    return tuple(each for each in RELIEFS if country in each.countries)


def refuse_foreign(asked: Relief, country: str) -> None:
    """Raises RuleBroken for a relief of another jurisdiction."""
    if country in asked.countries:
        return
    here = ", ".join(each.code for each in of(country)) or "none that is known here"
    raise RuleBroken(
        f"{asked.name} is law of another place than {country}, where this establishment is. Of there: {here}. "
        "Nothing was written.",
        code="other-jurisdiction",
        field="relief",
    )


def eased_gaps(codes: Collection[str]) -> dict[str, str]:
    """Code of each gap of a plan that is eased where these reliefs hold, and the relief that does it first."""
    found: dict[str, str] = {}
    for code in codes:
        for name in relief(code).eases:
            found |= {gap: code for gap in part(name).gaps if gap not in found}
    return found
