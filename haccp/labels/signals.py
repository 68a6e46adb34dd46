"""What was seen at packing, told within the transaction: whoever listens writes in it, or undoes it all.

packing_recorded    sender=PackingCheck, check, act: a packing check or its correction was kept
"""

from django.dispatch import Signal

packing_recorded = Signal()
