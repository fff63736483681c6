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
    data = certificate(record, records)
    times = [("Began", local(data.began, zone))] if data.began else []
    times += [("Finished", local(data.finished, zone)), ("Performed by", data.performed_by)]
    title = f"Relative cell constant of {data.probe} over time"
    drift = data.drift
    return _template().render(
        certificate=data,
        station=station,
        zone=zone_title(zone, data.began or data.finished, data.finished),
        facts=[*times, *data.facts],
        chart=None if drift is None else drift_chart(drift.measured, drift.ahead, title, zone),
    )


@cache
def _template() -> Template:
    return environment("daemon.reports").get_template("calibration_certificate.html")
