from celery import shared_task

from ledger import attachments, seals


@shared_task
def seal_everywhere() -> None:
    """Each minute: seal what is new, one seal an establishment."""
    seals.seal_everywhere()


@shared_task
def sweep_files() -> None:
    """Every few hours: clear files whose upload was killed before its record was committed."""
    attachments.sweep()
