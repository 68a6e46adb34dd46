"""Photos and scans on a record: the bytes lie in the storage under their own hash."""

import hashlib
import re
from datetime import timedelta
from typing import IO, Any

from django.conf import settings
from django.core.files.base import File
from django.core.files.storage import default_storage
from django.db import connection, transaction
from django.utils import timezone

from config.api.refusals import Unknown, Unusable
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import AlreadyRecorded, Attachment, Entry

MEDIA_TYPES = {
    "image/jpeg": (b"\xff\xd8\xff",),
    "image/png": (b"\x89PNG\r\n\x1a\n",),
    "application/pdf": (b"%PDF-",),
}
"""What may hang on a record, with the first bytes such a file has."""

LEFT_ALONE = timedelta(days=1)  # a site setting, no source
HASH = re.compile("[0-9a-f]{64}")


def attach(*, act: Act, target: Entry, file: IO[bytes], file_name: str, media_type: str) -> Attachment:
    """Keep a file and hang it on a record. Raises Unusable for another kind of file, an empty or a large one.

    A file that no record names in the end is not kept (``sweep`` clears it where this was killed). Of a name longer than
    200 characters the end is kept.
    """
    size, sha256 = _measure(file, media_type)
    told = {"file_name": file_name[-200:], "media_type": media_type, "size": size, "sha256": sha256}
    try:
        return _record(act=act, target=target, file=file, told=told)
    except BaseException:  # refused, out of space, or not committed
        clear(sha256)
        raise


@deed
def _record(*, act: Act, target: Entry, file: IO[bytes], told: dict[str, Any]) -> Attachment:
    """The record first, so that what is refused is not written; then the file, before anybody sees the record."""
    if target.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no record {target.pk} here.", field="target")
    attachment = Attachment.new(act, target=target, **told)
    _alone_with(attachment.sha256)
    try:
        attachment.insert()
    except AlreadyRecorded:  # sent again: its file may be the one that was cut short
        _store(file, attachment)
        raise
    _store(file, attachment)
    return attachment


def _store(file: IO[bytes], attachment: Attachment) -> None:
    """Once for each content. A file that was cut short when the power failed is written again."""
    path = path_of(attachment.sha256)
    if default_storage.exists(path):
        if default_storage.size(path) == attachment.size:
            return
        default_storage.delete(path)
    default_storage.save(path, File(file))


def clear(sha256: str) -> None:
    """Take a file out of the storage if no record names it: its record was refused, or left."""
    with transaction.atomic():
        _alone_with(sha256)
        if not Attachment.objects.filter(sha256=sha256).exists():
            default_storage.delete(path_of(sha256))


def sweep() -> int:
    """Clear files that no record has named for a day: whatever wrote them was killed before it came to its end.

    The number of files cleared. A file of today is left alone: its record may not be committed yet.
    """
    return sum(_sweep(folder) for folder in _inside("attachments")[0])


def _sweep(folder: str) -> int:
    before = timezone.now() - LEFT_ALONE
    named = set(Attachment.objects.filter(sha256__startswith=folder).values_list("sha256", flat=True))
    lost = [
        name
        for name in _inside(f"attachments/{folder}")[1]
        if name not in named and default_storage.get_modified_time(f"attachments/{folder}/{name}") < before
    ]
    for name in lost:
        if HASH.fullmatch(name):
            clear(name)
        else:  # half a file, under a name that the storage made up
            default_storage.delete(f"attachments/{folder}/{name}")
    return len(lost)


def _inside(folder: str) -> tuple[list[str], list[str]]:
    """Folders and files in a folder of the storage; nothing where it is not there yet."""
    try:
        return default_storage.listdir(folder)
    except FileNotFoundError:
        return [], []


def _alone_with(sha256: str) -> None:
    """Until the transaction ends nobody else writes or clears this file. SQLite has one writer anyway."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [int(sha256[:16], 16) - 2**63])


def path_of(sha256: str) -> str:
    return f"attachments/{sha256[:2]}/{sha256}"


def _measure(file: IO[bytes], media_type: str) -> tuple[int, str]:
    starts = MEDIA_TYPES.get(media_type)
    if starts is None:
        raise Unusable(f"Attach one of: {', '.join(MEDIA_TYPES)}.", field="file")
    digest, size, head = hashlib.sha256(), 0, b""
    while chunk := file.read(64 * 1024):
        head = head or chunk[:16]
        size += len(chunk)
        if size > settings.LARGEST_FILE:
            most = settings.LARGEST_FILE // 1024 // 1024
            raise Unusable(f"The file is larger than {most} MiB.", field="file")
        digest.update(chunk)
    file.seek(0)
    if not size:
        raise Unusable("The file is empty.", field="file")
    if not head.startswith(starts):
        raise Unusable(f"This does not look like {media_type}.", field="file")
    return size, digest.hexdigest()
