"""A row of an archive for tests that want one of every kind; no file lies behind it."""

from haccp.models import Archive
from ledger.acts import Act


def archived(act: Act) -> Archive:
    told = {"file_name": "2026.zip", "size": 1, "sha256": "a" * 64, "records": 1, "root": "b" * 64}
    return Archive.new(act, **told).insert()
