"""The kinds of problem answers, each with an address of its own: what it means and what to do about it."""

from dataclasses import dataclass
from http import HTTPStatus


@dataclass(frozen=True)
class Kind:
    """``code`` ends the ``type`` address; ``meaning`` is for people, and stands in the OpenAPI document."""

    code: str
    status: int
    title: str
    meaning: str

    @property
    def address(self) -> str:
        return f"/api/problems/{self.code}"


# The first kind of a status is the usual one.
KINDS = (
    Kind(
        "unusable-request",
        400,
        "The request cannot be used as it is",
        "The request cannot be read: not JSON, not UTF-8, nested too deep. Send it again in the right form.",
    ),
    Kind(
        "invalid",
        400,
        "Some values cannot be used",
        "Values are missing or make no sense. `errors` names each by its dotted path; put them right and send all again.",
    ),
    Kind(
        "unusable-value",
        400,
        "A value cannot be used as it is",
        "A value has the wrong form, unit or size. `errors` names it; put it right and send all again.",
    ),
    Kind(
        "not-signed-in",
        401,
        "Not signed in",
        "No key came with the request, or one that is unknown, has ended or was revoked. Get a new key.",
    ),
    Kind("not-allowed", 403, "Not allowed", "Your role here does not allow this. Ask an administrator."),
    Kind(
        "not-found",
        404,
        "Not found here",
        "There is no such thing for you: unknown, or another establishment's. Look at the address and the ids.",
    ),
    Kind(
        "method-not-allowed",
        405,
        "This address does not take that method",
        "`Allow` names the methods this address takes. Records are never changed or removed: post a correction.",
    ),
    Kind("not-acceptable", 406, "No such form of answer", "Ask for application/json."),
    Kind(
        "rule-broken",
        409,
        "A rule stands in the way",
        "The request is well formed, but a rule of the work refuses it. `reasons` lists all that stands in the way.",
    ),
    Kind(
        "same-id-other-content",
        409,
        "This id is already recorded with other content",
        "What is stored stays as it is. To change a record post a correction with an id of its own.",
    ),
    Kind(
        "changed-meanwhile",
        412,
        "Changed meanwhile",
        "Somebody changed this since you read it. Read it again, then decide again.",
    ),
    Kind("too-large", 413, "Too large", "The body is larger than the service takes. Send less at a time."),
    Kind("unsupported-media-type", 415, "Another media type is needed", "Send the type the document names."),
    Kind(
        "version-missing",
        428,
        "Say which version you saw",
        "Send If-Match with the ETag you read, so that nobody's change is overwritten unseen.",
    ),
    Kind("too-many-tries", 429, "Too many tries", "Wait as many seconds as Retry-After says."),
    Kind(
        "unforeseen",
        500,
        "Something unforeseen went wrong",
        "This is our fault. Tell the administrator the reference; a record may be sent again with the same id.",
    ),
    Kind(
        "unavailable",
        503,
        "Not available just now",
        "A service this needs does not answer. Send it again with the same id after Retry-After seconds: "
        "nothing is recorded twice.",
    ),
)
BY_CODE = {kind.code: kind for kind in KINDS}
BY_STATUS = {kind.status: kind for kind in reversed(KINDS)}


def usual(status: int) -> Kind | None:
    """The usual kind of an HTTP status; None where there is none of ours."""
    return BY_STATUS.get(status)


def title_of(status: int) -> str:
    """What HTTP calls a status (RFC 9457 section 4.2.1, for ``about:blank``)."""
    return HTTPStatus(status).phrase if status in HTTPStatus.__members__.values() else "Problem"
