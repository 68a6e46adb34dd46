"""What was stated, told within the transaction: whoever listens writes in it, or undoes it all.

allergens_stated    sender=AllergenStatement, statement, act: a statement, its correction or its withdrawal
"""

from django.dispatch import Signal

allergens_stated = Signal()
