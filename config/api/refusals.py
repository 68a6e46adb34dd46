"""Why the service says no, in words: plain exceptions domain functions raise and every way in understands.

The API turns each into an RFC 9457 problem answer (``config.api.problems``); pages show the same sentences.
No Django here, so that pure modules may raise them too.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Reason:
    """One thing that stands in the way: code for programs, sentence for people, where, what it concerns."""

    code: str
    detail: str
    field: str = ""
    ids: Sequence[str] = ()


class Refusal(Exception):
    """Base of all. ``status`` is the HTTP status the API answers with; nothing was written."""

    status = 409
    code = "rule-broken"
    title = "A rule stands in the way"

    def __init__(self, detail: str, *, code: str = "", field: str = "", reasons: Sequence[Reason] = ()):
        super().__init__(detail)
        self.detail = detail
        self.code = code or self.code
        self.reasons = tuple(reasons) or (Reason(self.code, detail, field),)


class RuleBroken(Refusal):
    """The request is well formed, but a rule of the work refuses it (409)."""


class Unusable(Refusal):
    """A value cannot be used as it is: wrong unit, not a number, too long (400); ``field`` says which."""

    status = 400
    code = "unusable-value"
    title = "A value cannot be used as it is"


class Unknown(Refusal):
    """Something named does not exist for this establishment (404), in the path or in the body."""

    status = 404
    code = "not-found"
    title = "Not found here"


class NotAllowed(Refusal):
    """This person may not do this here (403)."""

    status = 403
    code = "not-allowed"
    title = "Not allowed"


class OtherContent(Refusal):
    """The same id is already recorded with other content; nothing was changed (409)."""

    code = "same-id-other-content"
    title = "This id is already recorded with other content"


class ChangedMeanwhile(Refusal):
    """Somebody else changed the row first (412)."""

    status = 412
    code = "changed-meanwhile"
    title = "Changed meanwhile"


class Unavailable(Refusal):
    """Something this needs is down; nothing was lost, ask again later (503 with Retry-After)."""

    status = 503
    code = "unavailable"
    title = "Not available just now"
