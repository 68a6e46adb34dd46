"""Photos and scans on a record: the bytes lie in the storage under their own hash."""

import hashlib
from typing import IO

from django.core.files.base import File
from django.core.files.storage import default_storage

from config.api.refusals import Unknown, Unusable
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Attachment, Entry

LARGEST = 20 * 1024 * 1024  # bytes; a site setting, no source
MEDIA_TYPES = {
    "image/jpeg": (b"\xff\xd8\xff",),
    "image/png": (b"\x89PNG\r\n\x1a\n",),
    "application/pdf": (b"%PDF-",),
}
"""What may hang on a record, with the first bytes such a file has."""


@deed
def attach(*, act: Act, target: Entry, file: IO[bytes], file_name: str, media_type: str) -> Attachment:
    """Keep a file and hang it on a record. Raises Unusable for another kind of file, an empty or a large one."""
    if target.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no record {target.pk} here.", field="target")
    size, sha256 = _measure(file, media_type)
    _store(file, path_of(sha256), size)
    return Attachment.new(
        act, target=target, file_name=file_name[:200], media_type=media_type, size=size, sha256=sha256
    ).insert()


def _store(file: IO[bytes], path: str, size: int) -> None:
    """Once for each content. A file that was cut short when the power failed is written again."""
    if default_storage.exists(path):
        if default_storage.size(path) == size:
            return
        default_storage.delete(path)
    default_storage.save(path, File(file))


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
        if size > LARGEST:
            raise Unusable(f"The file is larger than {LARGEST // 1024 // 1024} MiB.", field="file")
        digest.update(chunk)
    file.seek(0)
    if not size:
        raise Unusable("The file is empty.", field="file")
    if not head.startswith(starts):
        raise Unusable(f"This does not look like {media_type}.", field="file")
    return size, digest.hexdigest()
