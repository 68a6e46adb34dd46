from ledger.models.attachments import Attachment
from ledger.models.changes import Change, Removal
from ledger.models.digits import digits_or_empty
from ledger.models.disclosures import Disclosure, Part
from ledger.models.entrances import Entrance, Look
from ledger.models.establishments import Establishment
from ledger.models.kept import Kept, Versioned
from ledger.models.people import Membership, Person, Qualification, Role, Token
from ledger.models.records import BASE_1, AlreadyRecorded, Record, record_class, record_classes
from ledger.models.seals import Entry, Leaf, Seal, SealHead, Unsealed
from ledger.models.signatures import Meaning, Signature
from ledger.models.signing_keys import SigningKey

__all__ = [
    "BASE_1",
    "AlreadyRecorded",
    "Attachment",
    "Change",
    "Disclosure",
    "Entrance",
    "Entry",
    "Establishment",
    "Kept",
    "Leaf",
    "Look",
    "Meaning",
    "Membership",
    "Part",
    "Person",
    "Qualification",
    "Record",
    "Removal",
    "Role",
    "Seal",
    "SealHead",
    "Signature",
    "SigningKey",
    "Token",
    "Unsealed",
    "Versioned",
    "digits_or_empty",
    "record_class",
    "record_classes",
]
