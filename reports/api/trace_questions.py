"""What a trace may be asked without pages: in an address for its picture, in a body for its document."""

from config.api.bodies import BodySerializer
from haccp.api.traces import QuestionFilters


class WholeQuestionFilters(QuestionFilters):
    """The same question as of a trace, without pages: a picture and a table are of all of it."""

    limit = None
    cursor = None
    exact = None


class TraceAskedSerializer(BodySerializer, WholeQuestionFilters):
    """Where a trace begins, one of `lot` to `equipment`; which way; how far."""
