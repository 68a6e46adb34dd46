from celery import shared_task

from ledger import seals


@shared_task
def seal_everywhere() -> None:
    """Each minute: seal what is new, one seal an establishment."""
    seals.seal_everywhere()
