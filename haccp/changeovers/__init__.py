"""Changing equipment from one product to another: procedures, records, verifications, releases, the matrix."""
