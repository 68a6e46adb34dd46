"""Times as pages and documents show them: local, and never without the offset."""

from datetime import datetime

from django import template

register = template.Library()


@register.filter
def local_time(value: datetime) -> str:
    """``2026-03-02 12:00 +01:00``: never without the offset. Raises ValueError for a time that has none."""
    return f"{local_day(value)} {clock(value)}"


@register.filter
def local_day(value: datetime) -> str:
    return format(value, "%Y-%m-%d")


@register.filter
def clock(value: datetime) -> str:
    """``12:00 +01:00``."""
    if value.utcoffset() is None:
        raise ValueError(f"{value} has no offset from UTC; such a time is never shown.")
    zone = format(value, "%z")
    return f"{value:%H:%M} {zone[:3]}:{zone[3:5]}"
