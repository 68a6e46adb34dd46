"""Files without a record: what an upload that was killed leaves behind is cleared, and nothing else."""

import hashlib
import io
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as site
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from ledger import attachments
from ledger.acts import Act
from ledger.models import Attachment, Entry, Establishment
from ledger.tasks import sweep_files
from tests.scene import PNG

pytestmark = pytest.mark.django_db
TWO_DAYS = 2 * 24 * 3600
LOST = b"\x89PNG\r\n\x1a\nlost"


@pytest.fixture
def attached(act: Callable[..., Act], establishment: Establishment) -> Attachment:
    target = Entry.objects.filter(establishment=establishment)[0]
    told: dict[str, Any] = {"target": target, "file_name": "photo.png", "media_type": "image/png"}
    return attachments.attach(act=act(), file=io.BytesIO(PNG), **told)


def left(content: bytes = LOST, name: str = "") -> Path:
    """A file as an upload leaves it that was killed before its record was committed."""
    sha256 = hashlib.sha256(content).hexdigest()
    path = f"{attachments.path_of(sha256).rpartition('/')[0]}/{name or sha256}"
    return Path(default_storage.path(default_storage.save(path, ContentFile(content))))


def grow_old() -> None:
    then = time.time() - TWO_DAYS
    for path in Path(site.MEDIA_ROOT).rglob("*"):
        os.utime(path, (then, then))


def test_a_file_that_no_record_has_named_for_a_day_is_cleared() -> None:
    path = left()
    grow_old()
    assert attachments.sweep() == 1
    assert not path.exists()


def test_a_file_of_today_is_left_alone_since_its_record_may_still_come() -> None:
    path = left()
    assert attachments.sweep() == 0
    assert path.exists()


def test_a_file_that_a_record_names_stays_however_old(attached: Attachment) -> None:
    left()
    grow_old()
    sweep_files()
    assert [path.name for path in Path(site.MEDIA_ROOT).rglob("*") if path.is_file()] == [attached.sha256]


def test_half_a_file_under_a_made_up_name_is_cleared() -> None:
    path = left(name="half_Xy7")
    grow_old()
    assert attachments.sweep() == 1
    assert not path.exists()


def test_where_nothing_was_ever_attached_there_is_nothing_to_clear() -> None:
    assert attachments.sweep() == 0
