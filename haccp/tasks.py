from celery import shared_task

from haccp import buyers, due_instruments, missed, missed_changeovers, missed_packing, notices
from haccp.compliance import reliefs
from haccp.inspections import due as inspections_due
from haccp.recalls import noticing, questions


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
def sweep_changeovers() -> None:
    """Every quarter of an hour: open a case for each pair of batches without the changeover it took, once."""
    missed_changeovers.sweep()


@shared_task
def sweep_packing() -> None:
    """Every quarter of an hour: open a case for each packing check that is known to be missing, once."""
    missed_packing.sweep()


@shared_task
def sweep_instruments() -> None:
    """Every hour: name the instruments whose verification is overdue, once each."""
    due_instruments.sweep()


@shared_task(autoretry_for=(OSError,), retry_backoff=True, max_retries=5)
def send_recall_mail(pk: int) -> None:
    noticing.send(pk)


@shared_task
def sweep_recall_mail() -> None:
    """Every few minutes: send what the broker or the mail server lost."""
    noticing.sweep()


@shared_task
def sweep_buyers() -> None:
    """Every few hours: forget the buyers of web orders whom no recall can need any more."""
    buyers.sweep()


@shared_task
def sweep_recall_questions() -> None:
    """Every quarter of an hour: remind the leads of what is not decided yet, once for each mark of time."""
    questions.sweep()


@shared_task
def sweep_reliefs() -> None:
    """Every few hours: tell of reliefs that end soon or have ended, once for each mark of time."""
    reliefs.sweep()


@shared_task
def sweep_findings() -> None:
    """Every hour: remind the leads of what inspections found and nobody answered, once before it is due and once after."""
    inspections_due.sweep()
