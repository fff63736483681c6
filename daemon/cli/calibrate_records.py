"""A record of calibration in words: one line for a list, some rows to show it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.record import CalibrationRecord, CheckRecord, Record, Reversion, Settlement
from daemon.local_time import local_iso

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import tzinfo

    from daemon.entries import JSON
    from daemon.mixing.probe.calibration_history import Calibrations


def summary(record: Record, known: Calibrations) -> dict[str, JSON]:
    """Return one record for a list.

    Args:
        record: The record.
        known: All of them, to say which is in force.
    """
    now, waiting = known.in_force(record.probe), known.on_hold(record.probe)
    place, _, probe = record.probe.partition("/")
    return {
        "id": record.id,
        "kind": record.kind,
        "reservoir": place,
        "probe": probe,
        "made_at": record.made_at,
        "by": record.calibration.by if isinstance(record, CalibrationRecord) else record.by,
        "in_force": now is not None and now.id == record.id,
        "on_hold": waiting is not None and waiting.id == record.id,
        "says": _says(record),
    }


def _says(record: Record) -> str:
    if isinstance(record, Reversion):
        return f"back to {record.to_id}"
    if isinstance(record, Settlement):
        word = "in force" if record.in_force else "dropped"
        return f"{record.calibration_id}, which was on hold, is {word}"
    if isinstance(record, CheckRecord):
        return (
            f"check of {record.calibration_id}: {'agrees' if record.agrees else 'does not agree'}"
        )
    made, outcome = record.calibration, str(record.verdict.outcome).replace("_", " ")
    return f"cell constant × {made.factor:.4f} ± {2 * made.u_factor:.4f} (k=2), {outcome}"


def sheet(record: Record, known: Calibrations, zone: tzinfo) -> list[tuple[str, str]]:
    """Return what a record says, as rows of a name and a text.

    Args:
        record: The record.
        known: All of them, to say which is in force.
        zone: Of the station; the time is written in it.
    """
    overview = summary(record, known)
    rows = [
        ("record", str(overview["id"])),
        ("probe", record.probe),
        ("made", f"{local_iso(record.made_at, zone)} by {overview['by']}"),
        ("in force", _in_force(overview)),
        ("says", str(overview["says"])),
    ]
    if isinstance(record, CalibrationRecord):
        made = record.calibration
        rows += [
            ("zero", f"{made.zero_mS_cm:+.4f} ± {2 * made.u_zero_mS_cm:.4f} mS/cm (k=2)"),
            (
                "thermometer",
                f"{made.temperature_offset_C:+.3f} ± {2 * made.u_offset_C:.3f} °C (k=2)",
            ),
            ("next due", record.due_on),
            ("assumed", record.instrument.assumed()),
            *([("repair", record.repair)] if record.repair else []),
            *(("verdict", reason) for reason in record.verdict.reasons),
        ]
    if isinstance(record, CheckRecord):
        rows += [("as found", sentence) for sentence in record.sentences]
    if isinstance(record, Reversion) and record.reason:
        rows.append(("reason", record.reason))
    if isinstance(record, Settlement):
        rows.append(("because", record.why))
    return rows


def _in_force(overview: Mapping[str, JSON]) -> str:
    if overview["in_force"]:
        return "yes"
    return "no, on hold" if overview["on_hold"] else "no"
