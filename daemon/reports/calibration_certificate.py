"""The certificate of one calibration or check as a self-contained HTML page to print."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, tzinfo
from functools import cache
from typing import TYPE_CHECKING

from calibration.report import certificate
from daemon.html.environment import environment
from daemon.local_time import local, zone_title
from daemon.reports.charts import drift_chart

if TYPE_CHECKING:
    from jinja2 import Template

    from calibration.record import CalibrationRecord, CheckRecord, Record


def certificate_html(
    record: CalibrationRecord | CheckRecord,
    records: Sequence[Record] = (),
    station: str = "",
    zone: tzinfo = UTC,
) -> str:
    """Return the page of one calibration or check.

    Args:
        record: What it is about.
        records: The history of the probe up to it, for the drift; may hold it.
        station: Its name.
        zone: Of the station; times are written in it.
    """
    found = certificate(record, records)
    times = [("Began", local(found.began, zone))] if found.began else []
    times += [("Finished", local(found.made, zone)), ("Performed by", found.performed_by)]
    title = f"Relative cell constant of {found.probe} over time"
    drift = found.drift
    return _template().render(
        certificate=found,
        station=station,
        zone=zone_title(zone, found.began or found.made, found.made),
        facts=[*times, *found.facts],
        chart=None if drift is None else drift_chart(drift.measured, drift.ahead, title, zone),
    )


@cache
def _template() -> Template:
    return environment("daemon.reports").get_template("calibration_certificate.html")
