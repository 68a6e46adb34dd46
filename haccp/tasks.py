from celery import shared_task

from haccp import due_instruments, missed, notices


@shared_task(autoretry_for=(OSError,), retry_backoff=True, max_retries=5)
def tell_of_deviation(pk: int) -> None:
    notices.tell(pk)


@shared_task
def sweep_notices() -> None:
    """Every few minutes: send what the broker or the mail server lost."""
    notices.sweep()


@shared_task
def sweep_missed_checks() -> None:
    """Every minute: open a deviation for each check that was not made in time, once."""
    missed.sweep()


@shared_task
def sweep_instruments() -> None:
    """Every hour: name the instruments whose verification is overdue, once each."""
    due_instruments.sweep()
