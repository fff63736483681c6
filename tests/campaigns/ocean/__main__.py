"""Cut small slices out of recorded profiles: `python -m tests.campaigns.ocean cut FOLDER`.

`EXPLAINED.md` says where the recordings come from.
"""

from __future__ import annotations

import argparse
import csv
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

SERIES = Path(__file__).parents[2] / "published" / "series"
NO_VALUE = -9.99e-29
"""What the recordings have where there is none."""


@dataclass(frozen=True)
class Slice:
    """What is cut.

    Attributes:
        name: Of the file that is written.
        source: Of the recording in the package.
        rows: First row and the row after the last.
        columns: Number in the recording, our name with its unit, and what makes that unit of it.
    """

    name: str
    source: str
    rows: tuple[int, int]
    columns: tuple[tuple[int, str, float], ...]


SLICES = (
    Slice(
        "underway",
        "sampledata/TSG/TSG_PIR_010.cnv",
        (0, 602),
        ((0, "day", 1.0), (4, "conductivity_mS_cm", 10.0), (3, "temperature_C", 1.0)),
    ),
    Slice(
        "cast",
        "sampledata/CTD/sta0860.cnv",
        (0, 88),
        (
            (1, "pressure_dbar", 1.0),
            (3, "conductivity_mS_cm", 10.0),
            (2, "temperature_C_IPTS_68", 1.0),
            (7, "salinity", 1.0),
        ),
    ),
    Slice(
        "out-of-air",
        "sampledata/CTD/Hotin.cnv",
        (0, 40),
        (
            (1, "seconds", 1.0),
            (2, "pressure_dbar", 1.0),
            (4, "conductivity_mS_cm", 10.0),
            (3, "temperature_C", 1.0),
            (6, "salinity", 1.0),
        ),
    ),
    Slice(
        "two-sensors",
        "sampledata/CTD/dPIRX003.cnv",
        (0, 330),
        (
            (0, "seconds", 1.0),
            (1, "pressure_dbar", 1.0),
            (4, "conductivity_mS_cm", 10.0),
            (2, "temperature_C", 1.0),
            (8, "salinity", 1.0),
            (5, "second_conductivity_mS_cm", 10.0),
            (3, "second_temperature_C", 1.0),
            (9, "second_salinity", 1.0),
        ),
    ),
    Slice(
        "fresh",
        "sampledata/CTD/missing_whitespace.cnv",
        (0, 40),
        (
            (0, "pressure_dbar", 1.0),
            (2, "conductivity_mS_cm", 0.001),
            (1, "temperature_C", 1.0),
            (11, "salinity", 1.0),
        ),
    ),
)


def recorded(path: Path) -> list[list[str]]:
    """Return the rows of a recording, below the line that ends its head."""
    lines = path.read_text(encoding="latin-1").splitlines()
    (end,) = (n for n, line in enumerate(lines) if re.fullmatch(r"\*END\*\s*", line))
    return [line.split() for line in lines[end + 1 :] if line.strip()]


def cut(folder: Path, into: Path = SERIES) -> None:
    """Write all slices, without the rows that lack a value."""
    for each in SLICES:
        first, behind = each.rows
        with (into / f"{each.name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow([name for _, name, _ in each.columns])
            for row in recorded(folder / each.source)[first:behind]:
                values = [(float(row[column]), factor) for column, _, factor in each.columns]
                if NO_VALUE not in [value for value, _ in values]:
                    writer.writerow([f"{value * factor:.10g}" for value, factor in values])


def main(arguments: Sequence[str] | None = None) -> int:
    """Do what is asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.ocean", description=__doc__)
    parser.add_argument("verb", choices=["cut"])
    parser.add_argument("folder", type=Path, help="of the unpacked package")
    cut(parser.parse_args(arguments).folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
