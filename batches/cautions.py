"""The caution that stands on every form and document of a cook."""

from django.utils.translation import gettext_lazy

BURNS = gettext_lazy(
    "Hot sugar sticks and burns at every working temperature, the rewarmed slab included. "
    "Liquid or wet tools in hot caramel spit."
)
