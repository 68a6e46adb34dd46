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
    RETURNED = "returned-by-a-customer"
    REWORK_NOT_FORESEEN = "rework-not-foreseen"
    REWORK_SOURCE = "rework-of-another-source"
    REWORK_TOO_OLD = "rework-too-old"
    REWORK_GENERATIONS = "rework-too-often"
    REWORK_SHARE = "rework-share-too-large"
    REWORK_SHARE_UNKNOWN = "rework-share-unknown"
    REWORK_FROM_FLOOR = "rework-from-floor"
    REWORK_FROM_RETURNS = "rework-from-returns"
    REWORK_ORIGIN_UNKNOWN = "rework-of-unknown-origin"
    BROUGHT_IN = "brought-in"
    MORE_THAN_AT_OUTLET = "more-than-at-outlet"
    LATER_THAN_CONTENTS = "later-than-contents"
    SOONER_THAN_BOX = "sooner-than-box"


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
    Flag.RETURNED: "Some of the lot came back from a customer; what was returned is never used again.",
    Flag.REWORK_NOT_FORESEEN: "The recipe version of the batch allows no rework.",
    Flag.REWORK_SOURCE: "The recipe version of the batch does not allow rework of this.",
    Flag.REWORK_TOO_OLD: "The rework was older than the recipe version allows.",
    Flag.REWORK_GENERATIONS: "The rework was reworked more often than the recipe version allows.",
    Flag.REWORK_SHARE: "With it the batch has more rework than the recipe version allows.",
    Flag.REWORK_SHARE_UNKNOWN: "What the rework weighs is not known, so its share of the batch is not either.",
    Flag.REWORK_FROM_FLOOR: "The rework was on the floor; that is never used.",
    Flag.REWORK_FROM_RETURNS: "The rework is of what customers returned; that is never used.",
    Flag.REWORK_ORIGIN_UNKNOWN: "Of what the rework is nobody knows: it counts as containing everything that its "
    "equipment could have left.",
    Flag.MORE_THAN_AT_OUTLET: "More of the lot left the outlet than the records say went there.",
    Flag.LATER_THAN_CONTENTS: "Its best before is later than that of a lot packed in it.",
    Flag.SOONER_THAN_BOX: "Its best before is earlier than that of a box it was packed in.",
    Flag.BROUGHT_IN: "It was brought in later from the house's own papers and not recorded here when it was done.",
}
"""One sentence for each flag, for people."""

REWORK = frozenset(
    {
        Flag.RETURNED,
        Flag.REWORK_NOT_FORESEEN,
        Flag.REWORK_SOURCE,
        Flag.REWORK_TOO_OLD,
        Flag.REWORK_GENERATIONS,
        Flag.REWORK_FROM_FLOOR,
        Flag.REWORK_FROM_RETURNS,
        Flag.REWORK_ORIGIN_UNKNOWN,
    }
)
"""What one use of rework may break by itself; the share is the batch's, with all its rework."""

LOT_NOT_READY = frozenset({Flag.LOT_AWAITING, Flag.LOT_HELD, Flag.LOT_REJECTED})
"""The flags about the status of the lot."""
