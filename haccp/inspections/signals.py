"""What is noted of a visit, told within the transaction: whoever listens may refuse it.

document_named    sender=InspectionNote, establishment, number: a document was named as shown or copied
"""

from django.dispatch import Signal

document_named = Signal()
