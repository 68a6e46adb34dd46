"""What can be out of order about a movement. It is recorded all the same, with the flag (design 4.10)."""

from enum import StrEnum


class Flag(StrEnum):
    """Codes kept in ``Movement.flags``; once recorded a code keeps its meaning."""

    MORE_THAN_ON_HAND = "more-than-on-hand"
    LOT_AWAITING = "lot-awaiting-decision"
    LOT_HELD = "lot-held"
    LOT_REJECTED = "lot-rejected"
    PAST_ITS_DATE = "past-its-date"
    NOT_IN_RECIPE = "not-in-recipe"
    OTHER_THAN_LINE = "other-than-recipe-line"
    NOT_THE_PRODUCT = "not-the-recipes-product"
    OUTSIDE_THE_RUN = "outside-the-run"
    SHIPPED_NOT_RELEASED = "shipped-not-released"
    PARTNER_IN_OTHER_PART = "partner-in-another-part"
    BEFORE_LAST_COUNT = "before-last-count"
    PLACES_UNCLEAR = "places-unclear"
    ROUNDED = "rounded"


SENTENCES = {
    Flag.MORE_THAN_ON_HAND: "More was taken from the lot than the records say was there.",
    Flag.LOT_AWAITING: "The lot was not accepted or released yet.",
    Flag.LOT_HELD: "The lot was held.",
    Flag.LOT_REJECTED: "The lot was rejected.",
    Flag.PAST_ITS_DATE: "The lot was past its date on that day.",
    Flag.NOT_IN_RECIPE: "The recipe version of the batch does not name this material.",
    Flag.OTHER_THAN_LINE: "The recipe line names another material.",
    Flag.NOT_THE_PRODUCT: "The batch's recipe is for another material, and this is not marked as rework.",
    Flag.OUTSIDE_THE_RUN: "It was done before the batch began or after it ended.",
    Flag.SHIPPED_NOT_RELEASED: "The lot was shipped without being released.",
    Flag.PARTNER_IN_OTHER_PART: "The trading partner is not noted as supplier or customer, as this needs.",
    Flag.BEFORE_LAST_COUNT: "It was done before a count of the lot that did not know of it: count again.",
    Flag.PLACES_UNCLEAR: "The lot lay in several places, and where some of it went from was not said.",
    Flag.ROUNDED: "The amount was finer than a milligram and was rounded.",
}
"""One sentence for each flag, for people."""

LOT_NOT_READY = frozenset({Flag.LOT_AWAITING, Flag.LOT_HELD, Flag.LOT_REJECTED})
"""The flags about the status of the lot."""
