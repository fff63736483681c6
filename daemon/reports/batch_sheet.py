"""The sheet of one batch: a self-contained HTML page that prints on one A4 or Letter side.

Every row has a fixed height in millimetres and every list a fixed number of
rows, so that what may come to the page is bounded and `MOST_MM` can be
counted.  What does not fit is left out by number, never in silence.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from html import escape
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind, Phase
from daemon.mixing.batch.record import BatchRecord
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.seawater import properties
from daemon.mixing.seawater.uncertainty import conformance_probability
from daemon.reports.event_text import SENTENCES, sentence_of
from daemon.reports.salinity_curve import Marks, Point, curve_of, split, svg

if TYPE_CHECKING:
    from daemon.entries import JSON
    from daemon.journal.reader import Reader

ROW_MM = 4.0
HEAD_MM = 9.0
TITLE_MM = 5.5
SIGN_MM = 12.0
CURVE_MM = 62.0
PAGE_MM = 279.4 - 2 * 12.0
"""Height between the margins of a Letter page, the shorter of the two."""

FACTS_ROWS, DECISION_ROWS, SIDE_ROWS, EVENT_ROWS = 8, 5, 4, 14
FIRST_EVENTS = 4
CUT_FACT, CUT_SIDE, CUT_EVENT, CUT_WHO = 46, 62, 104, 22
CAPTION = "Salinity: line; ± (k=2): grey band; limits: dashed"
UNTOLD = "not recorded"

CAUTIONS = (
    "Calibrate that instrument apart from the probe; where the two disagree, do not use the water.",
    "Salinity alone was judged here: temperature, pH, alkalinity and oxygen were not.",
)
SIGN = """<p class="sign"><span>Independent instrument and its reading</span>
<span>Name and signature</span><span>Date and time</span></p>"""
VERDICTS: dict[str, str] = {
    str(Phase.READY): f"RELEASED: {INDEPENDENT_CHECK}",
    str(Phase.STALE): "EXPIRED: do not use before it has been verified again",
    str(Phase.OFF_TARGET): "OFF TARGET: not for use",
    "discarded": "DISCARDED",
}
TIMES = {0: "never", 1: "once", 2: "twice"}
SAID_WITH_KIND = (Kind.BATCH, Kind.STABILISED, Kind.DISTURBED)
RANKS = {Kind.ADVICE: 1, Kind.ALARM: 2, Kind.DEVICE: 3, Kind.FORECAST: 4}
LEAST_RANK = 3

STYLE = f"""
@page {{ margin: 12mm }}
html {{ color-scheme: light }}
body {{ margin: 0 auto; max-width: 192mm; font: 8.2pt/{ROW_MM}mm sans-serif; color: #000 }}
h1, h2, p, table {{ margin: 0; padding: 0 }}
h1 {{ height: {HEAD_MM}mm; font-size: 13pt; line-height: {HEAD_MM}mm; overflow: hidden }}
h2 {{ height: {TITLE_MM}mm; font-size: 8.6pt; line-height: {TITLE_MM}mm;
  border-bottom: 0.2mm solid #000; box-sizing: border-box }}
table {{ width: 100%; border-collapse: collapse; table-layout: fixed }}
td {{ height: {ROW_MM}mm; padding: 0 2mm 0 0; vertical-align: top; white-space: nowrap;
  overflow: hidden; text-overflow: ellipsis }}
td.name {{ width: 30mm; color: #444 }}
td.when {{ width: 25mm; font-variant-numeric: tabular-nums }}
td.who {{ width: 31mm }}
.pair {{ display: flex; gap: 6mm }}
.pair > div {{ flex: 1 1 0; min-width: 0 }}
.verdict td {{ font-weight: bold }}
body > svg {{ display: block; width: 100%; height: {CURVE_MM}mm }}
.sign {{ height: {SIGN_MM}mm; box-sizing: border-box; padding-top: 7mm; display: flex; gap: 6mm }}
.sign span {{ flex: 1; border-top: 0.2mm solid #000; height: {ROW_MM}mm }}
"""


def sheet_html(reader: Reader, record: BatchRecord, told: Mapping[str, JSON]) -> str:
    """Return the sheet of a batch with its curve taken from the journal.

    Args:
        reader: Of the journal that holds the batch.
        record: The batch, as `daemon.mixing.batch.record.records` gives it.
        told: As for `render`.

    Raises:
        JournalError: The journal cannot be read.
    """
    return render(record, curve_of(reader, record), told)


def render(record: BatchRecord, curve: Sequence[Point], told: Mapping[str, JSON]) -> str:
    """Return the sheet as one HTML page without scripts or anything from elsewhere.

    Args:
        record: The batch and its events.
        curve: Time (UTC), practical salinity and its standard uncertainty of its readings.
        told: What the events do not tell, each if known: `station`, `printed`,
            `lot`, `lot_number`, `salt_g`, `volume_l`, `heel_l`, `heel_salinity`,
            `temperature_C`, `mix_yield`, `mix_yield_u`, `target_ppt`,
            `tolerance_ppt`, `release_confidence`, `use_within_h`, `probability`,
            and the lists of sentences `corrections` and `notes`.
    """
    drawn, rest = split(curve, record.released)
    station = f"{told['station']}: " if told.get("station") else ""
    printed = f", printed {told['printed']}" if told.get("printed") else ""
    parts = [
        f"<h1>{_safe(f'{station}batch {record.id}{printed}', 90)}</h1>",
        _pair(_facts("Batch", _batch_rows(record)), _facts("Made of", _made_rows(told))),
        _decision(record, told),
        f"<h2>{CAPTION}{_safe(_later(rest), CUT_EVENT)}</h2>",
        svg(drawn, _marks(record, told)),
        _pair(
            _side("Corrections and advice", _corrections(record, told)),
            _side("Notes", _notes(record, told)),
        ),
        _events(record.events),
        "<h2>Before use</h2>" + _rows((_cell(text),) for text in CAUTIONS),
        SIGN,
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta http-equiv="Content-Security-Policy"'
        " content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width">'
        f"<title>Batch {_safe(record.id, 90)}</title><style>{STYLE}</style></head><body>\n"
        + "\n".join(parts)
        + "\n</body></html>\n"
    )


def _batch_rows(record: BatchRecord) -> list[tuple[str, str]]:
    return [
        ("reservoir", record.reservoir),
        ("status", record.phase.replace("_", " ")),
        ("began", _minute(record.began)),
        ("salt seen", _minute(record.salted)),
        ("steady", _minute(record.stabilised)),
        ("released", _minute(record.released)),
        ("ended", _minute(record.ended)),
        ("changes after steady", TIMES.get(record.disturbed, f"{record.disturbed} times")),
    ]


def _made_rows(told: Mapping[str, JSON]) -> list[tuple[str, str]]:
    heel = _figure(told, "heel_l", "{:g} L")
    if heel != UNTOLD:
        heel += _figure(told, "heel_salinity", " at {:.2f} ppt", "")
    known_yield = _figure(told, "mix_yield", "{:.3f}")
    if known_yield != UNTOLD:
        u = _number(told.get("mix_yield_u"))
        known_yield += ("" if u is None else f" ± {2 * u:.3f} (k=2)") + " g salt per g mix"
    return [
        ("salt lot", _words(told, "lot")),
        ("lot number", _words(told, "lot_number")),
        ("salt mix", _figure(told, "salt_g", "{:.0f} g")),
        ("salt content", known_yield),
        ("water before salt", _figure(told, "volume_l", "{:g} L")),
        ("heel included", heel),
        ("water temperature", _figure(told, "temperature_C", "{:.1f} °C")),
        ("use within", _figure(told, "use_within_h", "{:g} h of release")),
    ]


def _decision(record: BatchRecord, told: Mapping[str, JSON]) -> str:
    limits = _limits(told)
    asked = UNTOLD if limits is None else f"{limits[0]:g} to {limits[1]:g} ppt"
    target = _figure(told, "target_ppt", ", target {:g} ppt", "")
    rows = [
        ("decision", _verdict(record)),
        ("salinity", _salinity(record)),
        ("tolerance limits", asked + target),
        ("within the limits", _probability(record, told)),
        ("reason", next((_told(e) for e in reversed(record.events) if e.kind is Kind.PHASE), "")),
    ]
    table = _rows(((_cell(name, "name"), _cell(text, cut=CUT_EVENT)) for name, text in rows))
    return f'<h2>Decision</h2><div class="verdict">{table}</div>'


def _verdict(record: BatchRecord) -> str:
    if record.phase == "used":
        return "USED" if record.released else "USED WITHOUT RELEASE"
    shown = record.phase.replace("_", " ")
    return VERDICTS.get(record.phase, f"NOT RELEASED: {shown}")


def _salinity(record: BatchRecord) -> str:
    if record.salinity is None:
        return "never found steady"
    found = f"{record.salinity:.2f} ppt, ± unknown"
    if record.salinity_u is not None:
        found = f"{record.salinity:.2f} ± {2 * record.salinity_u:.2f} ppt (k=2)"
    try:
        gravity = (
            f", specific gravity {properties.specific_gravity(record.salinity, 25.0, 25.0):.4f}"
        )
    except properties.OutOfRange:
        return found
    return f"{found}{gravity} (25/25 °C)"


def _probability(record: BatchRecord, told: Mapping[str, JSON]) -> str:
    """Return the probability of conformance with what was asked (JCGM 106:2012)."""
    known = [each.facts["probability"] for each in record.events if "probability" in each.facts]
    found = _number(told.get("probability", known[-1] if known else None))
    limits, u = _limits(told), record.salinity_u
    if found is None and limits and record.salinity is not None and u is not None:
        found = conformance_probability(record.salinity, u, *limits)
    shown = "probability not judged" if found is None else f"with probability {found:.4f}"
    return shown + _figure(told, "release_confidence", ", release asks for {:g}", "")


def _limits(told: Mapping[str, JSON]) -> tuple[float, float] | None:
    target, tolerance = _number(told.get("target_ppt")), _number(told.get("tolerance_ppt"))
    if target is None or tolerance is None:
        return None
    return target - tolerance, target + tolerance


def _marks(record: BatchRecord, told: Mapping[str, JSON]) -> Marks:
    changes = [each for each in record.events if each.kind is Kind.PHASE]
    names = [str(each.facts.get("to", "")).replace("_", " ") for each in changes]
    phases = [(e.at.wall, _plain(name, CUT_WHO)) for e, name in zip(changes, names, strict=True)]
    low, high = _limits(told) or (None, None)
    return Marks(phases, low, high, record.salinity)


def _later(rest: Sequence[Point]) -> str:
    """Say what the readings were that came after the drawing ends."""
    if not rest:
        return ""
    least, most = min(p[1] for p in rest), max(p[1] for p in rest)
    return f"; then {least:.2f} to {most:.2f} ppt until {_minute(rest[-1][0])}"


def _corrections(record: BatchRecord, told: Mapping[str, JSON]) -> list[str]:
    given = _list(told.get("corrections"))
    if given:
        return given
    kinds = (Kind.ADVICE, Kind.DISTURBED)
    return [f"{e.at.wall:%H:%M} {_told(e)}" for e in record.events if e.kind in kinds]


def _notes(record: BatchRecord, told: Mapping[str, JSON]) -> list[str]:
    given = _list(told.get("notes"))
    if given:
        return given
    commands = [each for each in record.events if each.kind is Kind.COMMAND]
    return [f"{e.facts['note']} ({_who(e)})" for e in commands if e.facts.get("note")]


def _events(events: Sequence[Event]) -> str:
    shown, left_out = chosen(events)
    rows = [
        (
            _cell(f"{each.at.wall:%m-%d %H:%M:%S}{'' if each.at.synced else '?'}", "when"),
            _cell(_who(each), "who", CUT_WHO),
            _cell(_told(each), cut=CUT_EVENT),
        )
        for each in shown
    ]
    more = f", {left_out} more: 'brinewright batch show'" if left_out else ""
    return f"<h2>Events, UTC{more}</h2>{_rows(rows)}"


def chosen(events: Iterable[Event]) -> tuple[list[Event], int]:
    """Return the events that the sheet has room for, and how many it leaves out.

    Forecasts and devices give way first, then alarms, then advice; of the rest
    the beginning and the end stay.

    Args:
        events: In their order.
    """
    left = list(events)
    count = len(left)
    left = [each for each in left if each.kind is not Kind.FORECAST]
    for rank in range(LEAST_RANK, 0, -1):
        if len(left) > EVENT_ROWS:
            left = [each for each in left if RANKS.get(each.kind, 0) < rank]
    if len(left) > EVENT_ROWS:
        left = left[:FIRST_EVENTS] + left[FIRST_EVENTS - EVENT_ROWS :]
    return left, count - len(left)


def _who(event: Event) -> str:
    who, via = event.facts.get("who"), event.facts.get("via")
    if not who:
        return "the station"
    return f"{who} ({via})" if via else str(who)


def _told(event: Event) -> str:
    if event.kind is Kind.COMMAND and event.kind not in SENTENCES:
        # Who asked, and by which way, stands beside it.
        facts = {key: value for key, value in event.facts.items() if key not in ("who", "via")}
        event = replace(event, facts=facts)
    try:
        said = sentence_of(event).rstrip(": ")
    except (KeyError, TypeError, ValueError):
        # An older version may have written other facts; the sheet is still wanted.
        return ", ".join(f"{key} {value}" for key, value in event.facts.items())
    return f"{event.kind} {said}" if event.kind in SAID_WITH_KIND else said


def _words(told: Mapping[str, JSON], key: str) -> str:
    return str(told[key]) if told.get(key) else UNTOLD


def _figure(
    told: Mapping[str, JSON], key: str, shape: str, without: str = UNTOLD, times: float = 1.0
) -> str:
    value = _number(told.get(key))
    return without if value is None else shape.format(times * value)


def _number(value: JSON) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _list(value: JSON) -> list[str]:
    return [str(each) for each in value] if isinstance(value, list) else []


def _minute(wall: datetime | None) -> str:
    return "-" if wall is None else f"{wall:%Y-%m-%d %H:%M} UTC"


def _pair(left: str, right: str) -> str:
    return f'<div class="pair"><div>{left}</div><div>{right}</div></div>'


def _facts(title: str, rows: Sequence[tuple[str, str]]) -> str:
    cells = ((_cell(name, "name"), _cell(text, cut=CUT_FACT)) for name, text in rows)
    return f"<h2>{title}</h2>{_rows(cells)}"


def _side(title: str, lines: Sequence[str]) -> str:
    left_out = len(lines) - SIDE_ROWS
    more = f", the last {SIDE_ROWS} of {len(lines)}" if left_out > 0 else ""
    shown = [(_cell(line, cut=CUT_SIDE),) for line in lines[-SIDE_ROWS:]] or [(_cell("none"),)]
    return f"<h2>{title}{more}</h2>{_rows(shown)}"


def _rows(rows: Iterable[Sequence[str]]) -> str:
    return "<table>" + "".join(f"<tr>{''.join(row)}</tr>" for row in rows) + "</table>"


def _cell(text: str, kind: str = "", cut: int = 200) -> str:
    marked = f' class="{kind}"' if kind else ""
    return f"<td{marked}>{_safe(text, cut)}</td>"


def _safe(text: str, cut: int) -> str:
    return escape(_plain(text, cut))


def _plain(text: str, cut: int) -> str:
    """Return one line of printable letters, cut with a mark where it is too long."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= cut else f"{line[: cut - 1]}…"


MOST_MM = (
    HEAD_MM
    + (TITLE_MM + FACTS_ROWS * ROW_MM)
    + (TITLE_MM + DECISION_ROWS * ROW_MM)
    + (TITLE_MM + CURVE_MM)
    + (TITLE_MM + SIDE_ROWS * ROW_MM)
    + (TITLE_MM + EVENT_ROWS * ROW_MM)
    + (TITLE_MM + len(CAUTIONS) * ROW_MM)
    + SIGN_MM
)
"""Height that the fullest sheet takes."""
