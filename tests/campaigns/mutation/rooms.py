"""Which modules a room has, and which tests are to notice a change in them.

Most of them run in one process; what speaks to a broker or a database is seen by tests with a
real one.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Room:
    """A part of the program.

    Attributes:
        name: Of it.
        folder: Where its modules are.
        tests: Files and folders of tests.
        without: Folders of it that are judged by other means.
    """

    name: str
    folder: str
    tests: tuple[str, ...]
    without: tuple[str, ...] = ()

    def modules(self, root: Path) -> list[str]:
        """Return its modules, relative to the root, in order."""
        found = sorted(path.relative_to(root) for path in (root / self.folder).rglob("*.py"))
        left_out = [Path(each) for each in self.without]
        return [
            str(path)
            for path in found
            if path.name != "__init__.py" and not any(path.is_relative_to(one) for one in left_out)
        ]


UNIT, LAWS, REAL = "tests/unit", "tests/properties", "tests/services"
ROOMS = (
    Room(
        "mixing",
        "daemon/mixing",
        (
            *(f"{UNIT}/mixing/{each}" for each in ("alarm", "batch", "probe", "seawater")),
            f"{UNIT}/mixing/station",
            *(f"tests/published/test_{each}.py" for each in ("dosing", "hydrometer", "seawater")),
            *(f"{LAWS}/test_{each}.py" for each in ("dosing", "lots", "tank", "timeline")),
        ),
        # A detector is judged by its calls: tests/research.
        ("daemon/mixing/stability",),
    ),
    Room(
        "calibration",
        "calibration",
        (
            f"{UNIT}/calibration",
            # What a station does with it: histories, checks, what is held and refused.
            f"{UNIT}/mixing/probe",
            f"{UNIT}/reports/test_calibration_certificate.py",
            "tests/published/test_calibration_references.py",
            *(f"{LAWS}/test_{each}.py" for each in ("acceptance", "calibration")),
        ),
    ),
    Room(
        "journal",
        "daemon/journal",
        (
            f"{UNIT}/journal",
            *(f"{LAWS}/test_{each}.py" for each in ("event_codec", "inbox", "selection")),
            f"{LAWS}/test_summaries.py",
        ),
    ),
    Room(
        "publishing",
        "daemon/publishing",
        (
            f"{UNIT}/publishing",
            "tests/contract/test_sinks_followed.py",
            *(
                f"{REAL}/test_{each}.py"
                for each in ("influx_answers", "mqtt", "mqtt_commands", "notify")
            ),
            *(
                f"{REAL}/test_{each}.py"
                for each in ("mqtt_discovery", "mqtt_hub_devices", "mqtt_retained")
            ),
        ),
    ),
)
