"""Published figures to check against: one CSV a subject in ``figures/``, each row with its source and provenance.

Provenance words: "read" = seen in a retrieved text, "memory" = recalled, "computed" = follows from a stated equation.
"""

import csv
from pathlib import Path

FIGURES = Path(__file__).parent / "figures"


def rows(name: str) -> list[dict[str, str]]:
    with (FIGURES / f"{name}.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def series(dataset: str) -> list[float]:
    """The values of one data set of ``nist-spc.csv``, in order."""
    return [float(row["value"]) for row in rows("nist-spc") if row["dataset"] == dataset]
