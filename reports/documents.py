"""What every document says before and after its own content: a frozen dataclass, drawn by ``reports.rendering``.

A kind of document is a frozen subclass of ``Document`` in a module of its own, with a builder that reads and a
template that extends ``reports/base_document.html``. Page, PDF and data are made of the same dataclass, so it
holds plain values only: text, Decimal, whole numbers, truth values, aware times, uuids, enums, tuples, dataclasses.

Text for people goes through gettext when the document is built, in the document's language.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, ClassVar, Self
from uuid import UUID

from cryptography.x509.oid import NameOID
from django.utils.translation import gettext as _

from batches import own_addresses
from batches.cautions import BURNS
from ledger import signing_keys
from ledger.acts import Moment
from ledger.models import Establishment, Record, Seal, Signature
from ledger.stored import Stored
from reports import kept_sentences
from reports.tables import Table


class PageSize(StrEnum):
    A4 = "a4"
    LETTER = "letter"


class PdfVariant(StrEnum):
    """Which standard a PDF is made by; both are tagged. Nothing here has validated either."""

    ARCHIVE = "pdf/a-3u"
    ACCESSIBLE = "pdf/ua-1"


LETTER_COUNTRIES = frozenset(
    ["BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"]
)
"""Where US Letter is the usual paper: Unicode Technical Standard 35 (LDML), measurement data, paperSize (read)."""


def usual_page_size(country: str) -> PageSize:
    """The paper usual in a country, by its two letters of ISO 3166-1."""
    return PageSize.LETTER if country in LETTER_COUNTRIES else PageSize.A4


def standing_cautions() -> tuple[str, ...]:
    """What every document warns of, in the active language."""
    return (
        str(BURNS),
        _(
            "Inside a limit says where a reading lies. It is not a statement that food is safe. "
            "The service records and reminds; qualified people and the competent authority decide."
        ),
    )


def standing_deferral() -> str:
    """That limits defer, in the active language. Whether rules are confirmed is told only where limits are (``tells_limits``)."""
    return _("Every limit defers to local regulation.")


@dataclass(frozen=True, kw_only=True)
class SealLine:
    """The seal that was last when the document was made; its hash covers the seals before it.

    ``sealed_at`` is on the establishment's clock.
    """

    number: int
    root: str
    hash: str
    leaf_count: int
    sealed_at: datetime

    @classmethod
    def of(cls, seal: Seal) -> Self:
        return cls(
            number=seal.number,
            root=seal.root,
            hash=seal.hash,
            leaf_count=seal.leaf_count,
            sealed_at=seal.sealed_at.astimezone(seal.establishment.zone),
        )


@dataclass(frozen=True, kw_only=True)
class KeyLine:
    """The key that the file is signed with: SHA-256 of its certificate, and whose it says it is."""

    fingerprint: str
    subject: str
    ends_at: datetime
    name: str = ""
    country: str = ""
    serial: str = ""

    @property
    def named(self) -> str:
        """Whom the certificate names, in words in the active language; as it stands in it where it has no name."""
        if not self.name:
            return self.subject
        told = ((_("country %s"), self.country), (_("serial number %s"), self.serial))
        return ", ".join([self.name, *(words % said for words, said in told if said)])

    @classmethod
    def of(cls, establishment: Establishment) -> Self | None:
        """The key in force, where it is at hand."""
        pair = signing_keys.usable_pair(establishment)
        if pair is None:
            return None
        subject = pair.certificate.subject
        said = {each.oid: str(each.value) for each in subject}
        return cls(
            fingerprint=pair.fingerprint,
            subject=subject.rfc4514_string(),
            name=said.get(NameOID.COMMON_NAME, ""),
            country=said.get(NameOID.COUNTRY_NAME, ""),
            serial=said.get(NameOID.SERIAL_NUMBER, ""),
            ends_at=pair.certificate.not_valid_after_utc.astimezone(establishment.zone),
        )


@dataclass(frozen=True, kw_only=True)
class ProofLine:
    """A record that the document shows, and the digest it had then; its evidence is attached."""

    record: UUID
    digest: str


@dataclass(frozen=True, kw_only=True)
class RuleLine:
    """A rule that fields of the document are meant to answer. ``rule``: its id in the map of requirements; ``fields``: as in
    data; ``provenance``: how well its text is known here."""

    rule: str
    source: str
    section: str
    fields: tuple[str, ...]
    provenance: str


@dataclass(frozen=True, kw_only=True)
class SignatureLine:
    """Who signed what, what the signature means, when by the signer's clock, and the digest that was signed.

    ``late_by``: how long after that it was taken, where that is late; ``recorded_at``: when. Give ``select_related`` its
    establishment before ``of``.
    """

    name: str
    meaning: str
    signed: str  # what, in words: "release of lot HP-26-061-1"
    signed_at: datetime
    record: UUID
    digest: str
    recorded_at: datetime | None = None
    late_by: timedelta | None = None

    @classmethod
    def of(cls, signature: Signature, signed: str) -> Self:
        return cls(
            name=signature.signer_name,
            meaning=_(signature.get_meaning_display()),
            signed=signed,
            signed_at=Moment(signature.performed_at, signature.performed_offset).local,
            record=signature.target_id,
            digest=signature.target_digest,
            recorded_at=signature.recorded_at.astimezone(signature.establishment.zone),
            late_by=signature.late_by if signature.is_late else None,
        )


def written_late(record: Record) -> datetime | None:
    """When a record was written down that is late, on the establishment's clock; None of one that was in time."""
    return record.recorded_at.astimezone(record.establishment.zone) if record.is_late else None


@dataclass(frozen=True, kw_only=True)
class Replaced:
    """Why a record no longer stands: corrected by another, or withdrawn because it never happened.

    ``by`` and ``at``: who wrote that, and when the service took it. A correction states anew when the work was done,
    which is another time.
    """

    withdrawn: bool
    reason: str
    by: str
    at: datetime
    record: UUID


@dataclass(frozen=True, kw_only=True)
class Transcribed:
    """Written by hand on a sheet without power, and keyed in later: where, by whom, and which scans show it.

    ``scans``: name and SHA-256 of each that hangs on the sheet.
    """

    sheet: str
    line: int
    scans: tuple[str, ...] = ()

    @classmethod
    def of(cls, record: Any, scans: Iterable[Any] = ()) -> Self | None:
        """None for what was keyed in at once, and for records that no sheet is for."""
        if getattr(record, "sheet_line", None) is None:
            return None
        shown = tuple(f"{each.file_name}, SHA-256 {each.sha256}" for each in scans)
        return cls(sheet=record.sheet.code, line=record.sheet_line, scans=shown)


@dataclass(frozen=True, kw_only=True)
class RecordLine:
    """One record as a row: subclass it with the columns of your kind. Times carry the offset as sent."""

    FROM_RECORD: ClassVar[tuple[str, ...]] = (
        "establishment",
        "performed_by",
        "recorded_by",
        "corrected_by__recorded_by",
    )
    """Give these to ``select_related`` before ``of``."""

    record: UUID
    digest: str
    performed_by: str
    performed_at: datetime
    recorded_by: str
    recorded_at: datetime
    place: str = ""
    note: str = ""
    corrects: UUID | None = None
    replaced: Replaced | None = None
    late_by: timedelta | None = None
    clock_ahead_by: timedelta | None = None
    transcribed: Transcribed | None = None

    @classmethod
    def of(cls, record: Record, **columns: Any) -> Self:
        """The row of a ledger record, with the values of this kind's own ``columns``.

        Of checks give ``select_related`` their ``sheet`` too; ``transcribed`` among the columns adds the scans of it.
        """
        return cls(
            record=record.pk,
            digest=record.digest,
            performed_by=record.performed_by.name,
            performed_at=Moment(record.performed_at, record.performed_offset).local,
            recorded_by=record.recorded_by.name,
            recorded_at=record.recorded_at.astimezone(record.establishment.zone),
            place=record.place,
            note=kept_sentences.noted(record.note),
            corrects=_corrected_id(record),
            replaced=_replaced(record),
            late_by=record.late_by if record.is_late else None,
            clock_ahead_by=record.clock_ahead_by,
            **({"transcribed": Transcribed.of(record)} | columns),
        )

    @property
    def records(self) -> tuple[UUID, ...]:
        """The record of this row, and the one that replaced it."""
        return (self.record,) if self.replaced is None else (self.record, self.replaced.record)


def _corrected_id(record: Any) -> UUID | None:
    """Read without loading the other record; the abstract class hides this column from the type checker."""
    corrected: UUID | None = record.corrects_id
    return corrected


def _replaced(record: Record) -> Replaced | None:
    later: Record | None = getattr(record, "corrected_by", None)
    if later is None:
        return None
    return Replaced(
        withdrawn=later.withdrawn,
        reason=kept_sentences.noted(later.reason),
        by=later.recorded_by.name,
        at=later.recorded_at.astimezone(record.establishment.zone),
        record=later.pk,
    )


MOST_PROOFS_PRINTED = 1000
"""About four pages; a site setting, no source."""


@dataclass(frozen=True)
class Column:
    """One column of a table: what stands above it, the line's attribute, its share of the width.

    ``head`` may be lazy text. ``mono`` sets codes and digests so that 0 and O differ.
    """

    head: Any
    attribute: str
    share: int = 1
    mono: bool = False


class OutOfOrder(str):
    """Words in a table that stand out as a failed result does, in black and white too."""


@dataclass(frozen=True)
class Stretch:
    """Pages of a document that are drawn by themselves: a long one is drawn in several, side by side.

    ``opens``: its head and facts are there; ``closes``: what proves it is; ``blocks``: its lines between.
    """

    blocks: Sequence[str] = ()
    opens: bool = True
    closes: bool = True

    @property
    def of_several(self) -> bool:
        return not (self.opens and self.closes)


@dataclass(frozen=True, kw_only=True)
class Document:
    """The base of all. ``kind`` names it in data and file names; ``form`` counts changes of its data's shape.

    ``confirmed_rules``: the local rules confirmed for the establishment, in words; empty = the document says so.
    ``unconfirmed_rules``: those about the same quantities that are to be confirmed with the authority, in words.
    ``seal``: None = the document says that it is not sealed yet.
    ``key``: None = it says that its file is not signed. ``check_at``: the address that tells whether it was made here.
    ``part_of``: the number of the inspection file that it lies in; its front then tells what is told once of all parts.
    ``proofs``: every record shown. ``made_at`` is aware, on the establishment's clock.
    ``shows_limits``: False where nothing in it is held against a limit, so that it says nothing of any. ``hangs``: it is
    read from afar, so what proves it is set small at its foot. ``landscape``: the paper lies. ``signed_in_rows``: who
    signed stands with each record, or in each document of a file, and not once more at the end. ``tells_rules``: False of
    what goes to a wall, a tub, a customer or the public. ``rules``: what its fields are meant to answer
    (``reports.answered``). ``marks_late``: it shows records with their marks, so it says from when on one is marked as
    late: ``late_after_minutes``.
    """

    kind: ClassVar[str]
    form: ClassVar[int] = 1
    template: ClassVar[str]
    shows_limits: ClassVar[bool] = True
    hangs: ClassVar[bool] = False
    landscape: ClassVar[bool] = False
    signed_in_rows: ClassVar[bool] = False
    tells_rules: ClassVar[bool] = True
    marks_late: ClassVar[bool] = False

    number: str
    part_of: str = ""
    title: str
    establishment: str
    establishment_lines: tuple[str, ...]
    asked_by: str
    made_at: datetime
    late_after_minutes: int | None = None
    confirmed_rules: tuple[str, ...]
    unconfirmed_rules: tuple[str, ...] = ()
    seal: SealLine | None
    proofs: tuple[ProofLine, ...] = ()
    key: KeyLine | None = None
    check_at: str = ""
    signatures: tuple[SignatureLine, ...] = ()
    rules: tuple[RuleLine, ...] = ()
    language: str = "en"
    page_size: PageSize = PageSize.A4
    cautions: tuple[str, ...] = field(default_factory=standing_cautions)
    deferral: str = field(default_factory=standing_deferral)

    def withholds(self, record: Stored) -> bool:
        """Whether the evidence holds only the digest of a record, since what it says stays in the house."""
        return False

    @property
    def tells_limits(self) -> bool:
        """Whether anything in this one is held against a limit, so that it has to say which local rules are confirmed."""
        return self.shows_limits

    @property
    def tells_late(self) -> bool:
        """Whether it marks anything as late, so that it has to say from when on that is; what hangs has no room for that."""
        return self.marks_late or (not self.hangs and any(each.late_by for each in self.signatures))

    def data_tables(self) -> tuple[Table, ...]:
        """What of it is a table, the main one first; nothing of most documents."""
        return ()

    def whole(self) -> Stretch:
        """All of it in one, in the active language."""
        return Stretch()

    def stretches(self) -> Sequence[Stretch]:
        """What is drawn by itself of it, in the active language: all in one but for a long one."""
        return (self.whole(),)

    @property
    def watermark(self) -> str:
        """What stands behind every page, as of an exercise; nothing behind most documents."""
        return ""

    @property
    def code_leads_somewhere(self) -> bool:
        """Whether other devices can ask the address: a code with one of this machine alone would be a dead link."""
        return bool(self.check_at) and own_addresses.answer()

    @property
    def prints_proofs(self) -> bool:
        """Whether its list of records is printed too: a long one stands in the attached data only."""
        return len(self.proofs) <= MOST_PROOFS_PRINTED

    def look(self, stretch: Stretch) -> str:
        """Classes of its style sheet."""
        paper = f"{self.page_size.value}-landscape" if self.landscape else self.page_size.value
        if stretch.of_several:
            paper = f"{paper}-begun" if stretch.opens else f"{paper}-carried"
        elif self.hangs:
            paper = f"{paper} hangs"
        return f"{paper} part" if self.part_of else paper


def establishment_lines(establishment: Establishment) -> tuple[str, ...]:
    """The lines under the establishment's name: its address as kept, and its country."""
    return (*_lines(establishment.address), establishment.country)


def _lines(text: str) -> Iterable[str]:
    return (line.strip() for line in text.splitlines() if line.strip())
