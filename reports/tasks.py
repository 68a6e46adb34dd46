from uuid import UUID

from celery import shared_task

from reports import jobs


@shared_task
def make_document(pk: str) -> None:
    jobs.make(UUID(pk))


@shared_task
def sweep_documents() -> None:
    """Every few minutes: pick up documents whose message or worker was lost."""
    jobs.sweep()
