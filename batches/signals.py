"""What happened to material, told within the transaction: whoever listens writes in it, or undoes it all.

movement_recorded     sender=Movement, movement, act: any movement, corrections and withdrawals included
movement_corrected    sender=Movement, movement, corrected, act: the first replaces or withdraws the second
lot_made              sender=Lot, lot, movement, act: a batch brought a new lot
release_reopened      sender=Lot, lots, because (the record), act: facts of released lots changed, so they
                      await a decision again
run_changed           sender=Batch, batch, record, act: when a batch ran, or on which equipment, is another now:
                      its start or end was corrected, it ended, that was withdrawn, equipment was noted
places_mixed          sender=StoragePlace, place, because (the record), act: what lay in a refilled place is mixed with more
                      than was known: it was marked as refilled, or was not found empty when that was said
noted_at_outlet       sender=AtOutlet, record, act: something was sold, given away, thrown away or counted at an outlet
weighed_apart         sender=WeighedApart, record: what of a batch was weighed and is no lot
lots_decided          sender=Lot, lots, status, because, act: the status of lots was set
"""

from django.dispatch import Signal

movement_recorded = Signal()
movement_corrected = Signal()
lot_made = Signal()
release_reopened = Signal()
run_changed = Signal()
places_mixed = Signal()
lots_decided = Signal()
noted_at_outlet = Signal()
weighed_apart = Signal()
