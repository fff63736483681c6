"""What programs may ask about calibrations."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.entries import JSON
from daemon.journal.published_schemas import object_schema
from daemon.journal.shapes import to_object
from daemon.page.api.endpoint import Arguments, Endpoint, Parameter, Text, Whole
from daemon.page.calibrations.answers import DriftAnswer, HistoryAnswer, RoutinesAnswer
from daemon.page.calibrations.calibration_source import CalibrationSource
from daemon.page.request import Request

MOST_RECORDS = 1000
LONGEST_NAME = 100


@dataclass(frozen=True, slots=True)
class _Calibrations:
    source: CalibrationSource

    def history(self, request: Request, given: Arguments) -> JSON:
        limit = given["limit"]
        return to_object(
            self.source.history(
                request,
                _text(given, "reservoir"),
                _text(given, "probe"),
                limit if isinstance(limit, int) else MOST_RECORDS,
            )
        )

    def drift(self, request: Request, given: Arguments) -> JSON:
        reservoir, probe = _text(given, "reservoir") or "", _text(given, "probe") or ""
        return to_object(self.source.drift(request, reservoir, probe))

    def routines(self, request: Request, _: Arguments) -> JSON:
        view = self.source.sources.view(request)
        return to_object(RoutinesAnswer(self.source.routines(view)))


def endpoints(source: CalibrationSource) -> tuple[Endpoint, ...]:
    """Return the endpoints about calibrations."""
    answering = _Calibrations(source)
    reservoir, probe = Text(LONGEST_NAME), Text(LONGEST_NAME)
    return (
        Endpoint(
            "/api/calibrations",
            "Probes with what is in force and due, and their records, the newest first.",
            (
                Parameter("reservoir", reservoir, "Only of this reservoir."),
                Parameter("probe", probe, "Only of the probe of this name."),
                Parameter("limit", Whole(1, MOST_RECORDS), "So many records at most.", default=200),
            ),
            object_schema(HistoryAnswer),
            answering.history,
        ),
        Endpoint(
            "/api/calibrations/drift",
            "How the adjustment of one probe's cell has moved, and where it goes.",
            (
                Parameter("reservoir", reservoir, "Of the probe.", required=True),
                Parameter("probe", probe, "Its name.", required=True),
            ),
            object_schema(DriftAnswer),
            answering.drift,
        ),
        Endpoint(
            "/api/routine",
            "Every calibration routine whose probe is out of the water, with its settling curve.",
            (),
            object_schema(RoutinesAnswer),
            answering.routines,
        ),
    )


def _text(given: Arguments, name: str) -> str | None:
    value = given[name]
    return value if isinstance(value, str) else None
