"""Published values the computations are held to. Each row names its source and how it is known: read in a retrieved
text, from memory, or computed from an equation."""

import csv
from pathlib import Path


def rows(name: str) -> list[dict[str, str]]:
    with (Path(__file__).parent / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def series(dataset: str) -> list[float]:
    """The values of one data set of ``nist-spc.csv``, in order."""
    return [float(row["value"]) for row in rows("nist-spc") if row["dataset"] == dataset]
