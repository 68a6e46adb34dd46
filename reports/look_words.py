"""What an inspector was shown, in a sentence: a look is kept with the name of the address only."""

from django.utils.translation import get_language
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop as noop

from ledger.models import Look
from reports import jobs
from reports.models import DocumentJob

SHOWN = {
    "open-records": noop("looked at the index"),
    "open-records-data": noop("looked at the index, as data"),
    "open-records-ask": noop("asked for a document on the index, and was told why not"),
    "documents": noop("looked at the list of documents"),
    "seals": noop("looked at the seals"),
    "signing-keys": noop("looked at the keys that sign documents"),
}
REFUSED = {
    "open-records": noop("asked for the index"),
    "open-records-data": noop("asked for the index, as data"),
    "open-records-ask": noop("asked for a document that is not on the index"),
    "documents": noop("asked for a document, or for the list of documents"),
    "document": noop("asked for a document that is not open"),
    "seals": noop("asked for the seals"),
    "signing-keys": noop("asked for the keys that sign documents"),
}
"""The same where nothing was shown; what an inspector wanted is worth as much to the house."""
OF_A_DOCUMENT = {
    "open-records-ask": noop("asked for %(document)s"),
    "documents": noop("asked for %(document)s"),
    "document": noop("looked how far %(document)s is"),
}
FETCHED = ("document-", "open-records-")
"""How the names of addresses begin that give a document in a form."""
FORMS = frozenset({"pdf", "json", "html", "zip", "csv", "xlsx"})


def sentence(look: Look) -> str:
    """In the language of now. Of an address that is closed to inspectors its name is told."""
    form = _form(look.what)
    if look.document:
        return _of_a_document(look, form)
    if form:
        return _("asked for a document that is not open, as %s") % form.upper()
    told = (SHOWN if look.answered < 400 else REFUSED).get(look.what)
    return _(told) if told else _("asked for what is closed to inspectors: %s") % look.what


def _of_a_document(look: Look, form: str) -> str:
    said = {"document": _document(look), "form": form.upper()}
    if not form:
        return _(OF_A_DOCUMENT.get(look.what, noop("asked for %(document)s"))) % said
    if look.answered < 400:
        return _("fetched %(document)s as %(form)s") % said
    return _("asked for %(document)s as %(form)s") % said


def _document(look: Look) -> str:
    kinds = DocumentJob.Kind.values
    kind = (
        jobs.title(look.document_kind, get_language() or "en")
        if look.document_kind in kinds
        else look.document_kind
    )
    return _("document %(number)06d (%(kind)s)") % {"number": look.document, "kind": kind}


def _form(name: str) -> str:
    """The form that an address gives a document in; empty for any other address."""
    for begins in FETCHED:
        if name.startswith(begins) and name.removeprefix(begins) in FORMS:
            return name.removeprefix(begins)
    return ""
