"""The tables a house has before these records begin, brought in once: materials, partners, lots, batches, shipments.

``columns`` says what each table may hold and how a cell is read, ``entries`` makes rows of it with their ids, ``papers``
looks at all of them together, ``past`` writes what they say, and ``deed`` does all of it, or nothing.
"""
