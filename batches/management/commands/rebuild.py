from typing import Any

from django.core.management.base import BaseCommand

from batches import projections
from ledger.models import Establishment


class Command(BaseCommand):
    help = "Write stock, lot and batch states and the genealogy anew from the records that stand."

    def handle(self, *args: Any, **options: Any) -> None:
        for establishment in Establishment.objects.all():
            counts = projections.rebuild(establishment)
            rows = ", ".join(f"{count} {name}" for name, count in counts.items())
            self.stdout.write(f"{establishment}: {rows}")
