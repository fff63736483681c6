"""What programs may ask of the station as a whole: its present state, and its events."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.entries import JSON, Kind
from daemon.journal.event_query import MOST, EventQuery, find_events
from daemon.journal.payloads import event_payload, iso_time
from daemon.journal.published_schemas import NUMBER, TEXT, TIME, object_schema, one_event_schema
from daemon.journal.shapes import to_object
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.page.api.endpoint import (
    Arguments,
    Endpoint,
    OneOf,
    Parameter,
    Schema,
    Text,
    Whole,
)
from daemon.page.api.schema_parts import or_null, whole_object
from daemon.page.healthz import staleness
from daemon.page.request import Request
from daemon.page.response import json_text
from daemon.page.serving.live import Stream
from daemon.page.sources import Sources
from daemon.page.view import AlarmView, ReservoirView, StationView

GREATEST_SEQ = 2**53 - 1
"""The greatest whole number that every JSON reader takes."""
FLAG: Schema = {"type": "boolean"}


def endpoints(sources: Sources) -> tuple[Endpoint, ...]:
    """Return the endpoints of the station as a whole."""
    asked = _Station(sources)
    names = tuple(each.name for each in sources.settings)
    return (
        Endpoint(
            "/api/station",
            "The present state of every reservoir, with every alarm that is not normal.",
            (),
            STATION,
            asked.state,
        ),
        Endpoint(
            "/api/events",
            "What happened, page by page; readings are under /api/readings.",
            (
                Parameter("after", Whole(0, GREATEST_SEQ), "Only with a greater seq.", default=0),
                Parameter("before", Whole(1, GREATEST_SEQ), "Only with a smaller seq."),
                Parameter("kind", OneOf(tuple(map(str, Kind))), "Only of this kind."),
                Parameter("reservoir", OneOf(names), "Only of this reservoir."),
                Parameter("batch", Text(100), "Only of this batch."),
                Parameter("order", OneOf(("oldest", "newest")), "Which first.", default="oldest"),
                Parameter("limit", Whole(1, MOST), "So many at most.", default=100),
            ),
            EVENTS,
            asked.events,
        ),
    )


def station_stream() -> Stream:
    """Return the stream of the present state, for programs; the same as `/api/station`."""
    return Stream(lambda view: {"station": json_text(station_state(view))}, "station", plain=True)


def station_state(view: StationView) -> dict[str, JSON]:
    """Return the present state as a JSON object."""
    return {
        "station": view.station,
        "label": view.title or view.station,
        "time": iso_time(view.at),
        "seq": view.last_seq,
        "trouble": view.trouble,
        "reservoirs": [_reservoir(each) for each in view.reservoirs],
        "alarms": [_alarm(each) for each in view.alarms],
        "followers": [
            {"name": each.name, "waiting": each.waiting, "error": each.error}
            for each in view.followers
        ],
    }


@dataclass(frozen=True, slots=True)
class _Station:
    sources: Sources

    def state(self, request: Request, _: Arguments) -> JSON:
        return station_state(self.sources.view(request))

    def events(self, _: Request, asked: Arguments) -> JSON:
        kind, reservoir, batch = (asked[name] for name in ("kind", "reservoir", "batch"))
        after, before, limit = (asked[name] for name in ("after", "before", "limit"))
        query = EventQuery(
            after if isinstance(after, int) else 0,
            before if isinstance(before, int) else None,
            Kind(kind) if isinstance(kind, str) else None,
            reservoir if isinstance(reservoir, str) else None,
            batch if isinstance(batch, str) else None,
            asked["order"] == "newest",
            limit if isinstance(limit, int) else MOST,
        )
        found = find_events(self.sources.reader, query)
        return {"events": [{**event_payload(event), "seq": seq} for seq, event in found]}


def _reservoir(reservoir: ReservoirView) -> dict[str, JSON]:
    settings, age_s = reservoir.settings, reservoir.age_s
    return {
        "name": settings.name,
        "label": settings.title,
        "target_ppt": settings.target_ppt,
        "tolerance_ppt": settings.tolerance_ppt,
        "age_s": None if age_s is None else round(age_s, 3),
        "fresh": reservoir.fresh,
        "staleness": staleness(reservoir),
        "snapshot": None if reservoir.snapshot is None else to_object(reservoir.snapshot),
    }


def _alarm(alarm: AlarmView) -> dict[str, JSON]:
    return {
        "reservoir": alarm.reservoir,
        "name": alarm.name,
        "state": alarm.state,
        "priority": alarm.priority,
        "active": alarm.active,
        "why": alarm.why,
        "do": alarm.do,
        "who": alarm.who,
        "reason": alarm.reason,
        "until": alarm.until,
    }


WHOLE: Schema = {"type": "integer"}
RESERVOIR: Schema = whole_object(
    {
        "name": TEXT,
        "label": TEXT,
        "target_ppt": NUMBER,
        "tolerance_ppt": NUMBER,
        "age_s": or_null(NUMBER),
        "fresh": FLAG,
        "staleness": TEXT,
        "snapshot": or_null(object_schema(ReservoirSnapshot)),
    }
)
ALARM: Schema = whole_object(
    {
        "reservoir": TEXT,
        "name": TEXT,
        "state": TEXT,
        "priority": TEXT,
        "active": FLAG,
        "why": TEXT,
        "do": TEXT,
        "who": TEXT,
        "reason": TEXT,
        "until": TEXT,
    }
)
FOLLOWER: Schema = whole_object({"name": TEXT, "waiting": WHOLE, "error": TEXT})
STATION: Schema = whole_object(
    {
        "station": TEXT,
        "label": TEXT,
        "time": TIME,
        "seq": or_null(WHOLE),
        "trouble": TEXT,
        "reservoirs": {"type": "array", "items": RESERVOIR},
        "alarms": {"type": "array", "items": ALARM},
        "followers": {"type": "array", "items": FOLLOWER},
    }
)
EVENTS: Schema = whole_object({"events": {"type": "array", "items": one_event_schema()}})
