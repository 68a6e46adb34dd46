from uuid import UUID

from celery import shared_task

from reports import jobs


@shared_task
def make_document(pk: str) -> None:
    jobs.make(UUID(pk))


@shared_task
def make_long_document(pk: str) -> None:
    """The same in a queue of its own, so that who waits for a page does not wait behind a file of hundreds."""
    jobs.make(UUID(pk))


@shared_task
def sweep_documents() -> None:
    """Every few minutes: pick up documents whose message or worker was lost."""
    jobs.sweep()
