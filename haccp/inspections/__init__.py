"""Inspections by an authority, a buyer or a certification body: a record of the visit, its findings and their answers."""
