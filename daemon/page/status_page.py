"""The status page: one look as HTML, without scripts and without anything from elsewhere.

Nothing is told by colour alone, and every text from elsewhere is escaped.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from html import escape

from daemon.entries import JSON, Flag
from daemon.mixing.batch.steady import expected_steady, steady_since
from daemon.mixing.station.last_reading import off_scale
from daemon.page.healthz import span, staleness
from daemon.page.labels import alarm_words, phase_words, quality_words
from daemon.page.view import Present, Seen, Shown

AGAIN_S = 10
"""How often a browser loads the page again, s."""
LONGEST = 1000
"""Characters of any one text that are shown; advice with its steps and cautions is some 600."""
ACT = '<p><a href="/act">Acknowledge, confirm, note</a></p>'
STYLE = """
:root { color-scheme: light dark; }
body { font: 1.05rem/1.5 system-ui, sans-serif; margin: 0 auto; max-width: 44rem; padding: 1rem; }
h1 { font-size: 1.15rem; font-weight: 600; margin: 0; }
h2 { font-size: 1.3rem; margin: 0; }
section { border-top: 3px double; margin-top: 1.5rem; padding-top: 1rem; }
.phase { font-size: 1.3rem; margin: .2rem 0 .6rem; }
dl { display: grid; gap: .25rem 1rem; grid-template-columns: minmax(6rem, max-content) 1fr;
  margin: 0; }
dt { opacity: .8; }
dd { font-variant-numeric: tabular-nums; margin: 0; overflow-wrap: anywhere; }
.old, .alarm { border: 2px solid; border-radius: .3rem; margin: .8rem 0; padding: .5rem .8rem; }
.alarm { border-left-width: .7rem; }
.old { border-style: dashed; }
p { margin: .2rem 0; overflow-wrap: anywhere; }
form { border-top: 1px dotted; margin: .5rem 0; padding: .5rem 0; }
label { display: block; margin: .2rem 0; }
input, button { font: inherit; max-width: 100%; }
footer { border-top: 1px solid; margin-top: 2rem; opacity: .85; padding-top: .5rem; }
"""


def style_source() -> str:
    """Return what a content policy calls the page's one style by: its hash."""
    digest = hashlib.sha256(STYLE.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


@dataclass(frozen=True, slots=True)
class Told:
    """What is known of something that was asked.

    Attributes:
        head: In a word or two.
        text: The answer, as a sentence.
        next_look: Where a browser goes next by itself; empty where it stays.
        after_s: When it goes there, s.
    """

    head: str
    text: str
    next_look: str = ""
    after_s: int = AGAIN_S


def status_page(present: Present, told: Told | None = None, *, acts: bool = False) -> str:
    """Return the whole page.

    Args:
        present: What there is to show.
        told: What came of what was asked before; None where nothing was.
        acts: Whether anything may be asked.
    """
    again = (
        f"{told.after_s}; url={escape(told.next_look)}" if told and told.next_look else str(AGAIN_S)
    )
    alarms = [alarm_block(each) for each in present.alarms if not each.reservoir]
    parts = [
        head(_title(present), f'<meta http-equiv="refresh" content="{again}">'),
        f"<header><h1>{text(present.station)}: seawater being mixed</h1></header><main>",
        notice(told.head, told.text) if told else "",
        ACT if acts else "",
        notice("The journal cannot be read", present.trouble) if present.trouble else "",
        *alarms,
        *(_reservoir(each, present.alarms, present.trouble) for each in present.reservoirs),
        "</main>",
        _footer(present),
        "</body></html>",
    ]
    return "\n".join(part for part in parts if part)


def head(title: str, more: str = "") -> str:
    """Return how every page begins, up to its body."""
    return "\n".join(
        [
            "<!doctype html>",
            '<html lang="en"><head><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            *([more] if more else []),
            f"<title>{text(title)}</title>",
            f"<style>{STYLE}</style></head><body>",
        ]
    )


def _title(present: Present) -> str:
    count = sum(each.stands for each in present.alarms)
    if present.trouble or any(staleness(each) for each in present.reservoirs):
        return f"No fresh reading - {present.station}"
    if count:
        return f"{count} alarm{'s' if count > 1 else ''} - {present.station}"
    return present.station


def _reservoir(seen: Seen, alarms: Iterable[Shown], trouble: str) -> str:
    name = seen.expected.name
    own = [alarm_block(each) for each in alarms if each.reservoir == name]
    old = "" if trouble else staleness(seen)
    heading = f'<section aria-label="{text(name)}"><h2>{text(name)}</h2>'
    warning = notice("This is not the present", old) if old else ""
    if seen.picture is None:
        return "\n".join([heading, warning, *own, "</section>"])
    phase = phase_line(seen, fresh=not old)
    rows = "".join(
        f"<dt>{label}</dt><dd>{text(value)}</dd>" for label, value in _rows(seen) if value
    )
    return "\n".join([heading, phase, warning, *own, f"<dl>{rows}</dl>", "</section>"])


def phase_line(seen: Seen, *, fresh: bool) -> str:
    """Return how the water stands; whether it may be used is not known where nobody reads it."""
    phase = text(phase_words((seen.picture or {}).get("phase")))
    known = phase if fresh else f"Last known: {phase.partition(':')[0]}"
    return f'<p class="phase">{known}</p>'


def _rows(seen: Seen) -> list[tuple[str, str]]:
    picture, expected = seen.picture or {}, seen.expected
    age = "" if seen.age_s is None else f"{span(max(0.0, seen.age_s))} ago"
    released = _number(picture, "age_h")
    return [
        ("Advice", _word(picture, "advice")),
        ("Salinity", _salinity(picture)),
        ("Target", f"{expected.target_ppt:g} ± {expected.tolerance_ppt:g} ppt"),
        ("Specific gravity", _shown(picture, "specific_gravity", "{:.4f} (25/25 °C)")),
        ("Temperature", _shown(picture, "temperature_C", "{:.2f} °C")),
        ("Conductivity", _shown(picture, "conductivity_mS_cm", "{:.2f} mS/cm, as indicated")),
        ("Quality", quality_words(picture.get("flag"))),
        ("Probe", ", ".join(f"{name}: {health}" for name, health in seen.probes.items())),
        ("Batch", _word(picture, "batch")),
        ("Released", "" if released is None else f"{span(released * 3600.0)} ago"),
        ("Expected steady", _time(expected_steady(picture))),
        ("Steady since", _time(steady_since(picture))),
        ("Start by", _time(_word(picture, "start_by"))),
        ("Last reading", age),
    ]


def _salinity(picture: Mapping[str, JSON]) -> str:
    value, u = _number(picture, "salinity"), _number(picture, "salinity_u")
    if value is None:
        return "no value"
    shown = f"{value:.2f} ppt" if u is None else f"{value:.2f} ± {2 * u:.2f} ppt (k=2)"
    shown += off_scale(value)
    return f"not to be believed: {shown}" if picture.get("flag") == Flag.FAIL else shown


def alarm_block(alarm: Shown) -> str:
    """Return an alarm with why it is there and what to do."""
    name, state = alarm.name.replace("-", " "), alarm_words(alarm.state)
    until = f"until {_time(alarm.until)}" if alarm.until else ""
    details = (alarm.who and f"by {alarm.who}", until, alarm.reason)
    where = ", ".join(word for word in (alarm.priority, state, *details) if word)
    if not alarm.stands:
        so = "; its condition is there now" if alarm.active else ""
        return f"<p>Alarm {text(name)}: {text(where + so)}</p>"
    lines = [
        f"<p><strong>Alarm: {text(name)}</strong> ({text(where)})</p>",
        f"<p>{text(alarm.why)}</p>" if alarm.why else "",
        f"<p>What to do: {text(alarm.do)}</p>" if alarm.do else "",
    ]
    return f'<div class="alarm">{"".join(lines)}</div>'


def notice(title: str, told: str) -> str:
    """Return a sentence that is to be seen before the rest."""
    return f'<div class="old"><p><strong>{text(title)}</strong></p><p>{text(told)}</p></div>'


def _footer(present: Present) -> str:
    failing = [
        f"<p>{text(each.name)} is {each.waiting} entries behind: {text(each.error)}</p>"
        for each in present.followers
        if each.error
    ]
    at = f"{present.at:%Y-%m-%d %H:%M:%S} UTC"
    told = f"<p>As of {at}; loads again every {AGAIN_S} s. It advises and switches nothing.</p>"
    return f"<footer>{''.join(failing)}{told}</footer>"


def _number(picture: Mapping[str, JSON], key: str) -> float | None:
    value = picture.get(key)
    return float(value) if isinstance(value, int | float) else None


def _shown(picture: Mapping[str, JSON], key: str, shape: str) -> str:
    value = _number(picture, key)
    return "" if value is None else shape.format(value)


def _word(picture: Mapping[str, JSON], key: str) -> str:
    value = picture.get(key)
    return "" if value is None else str(value)


def _time(moment: str | None) -> str:
    """Return a moment of ISO 8601 to the minute; what is none as it is, nothing for None."""
    try:
        return f"{datetime.fromisoformat(moment or ''):%Y-%m-%d %H:%M} UTC"
    except ValueError:
        return moment or ""


def text(value: str) -> str:
    """Return a text as HTML shows it; what cannot be printed becomes a blank."""
    shown = "".join(each if each.isprintable() else " " for each in value[:LONGEST])
    return escape(shown)
