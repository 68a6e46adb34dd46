"""Allergens: lists, statements, what is in a lot by its genealogy, and what may be there by contact.

An allergen is a code such as ``milk`` or ``hazelnut``, the same substance in every list.
"""
