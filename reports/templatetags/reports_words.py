from django import template

from batches import quantities

register = template.Library()


@register.simple_tag
def amount(base: int, dimension: str) -> str:
    """Base steps in words: ``12.500 kg`` or ``24 pieces``."""
    return quantities.shown(base, "pieces" if dimension == "count" else "mass")
