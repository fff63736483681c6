"""JSON Schemas of what programs are told of batches and lots."""

from __future__ import annotations

from collections.abc import Mapping

from daemon.entries import JSON
from daemon.journal.published_schemas import NUMBER, TEXT, TIME
from daemon.page.api.endpoint import Schema
from daemon.page.batches.outcomes import Outcome


def _object(members: Mapping[str, JSON]) -> Schema:
    return {
        "type": "object",
        "properties": dict(members),
        "required": [*members],
        "additionalProperties": False,
    }


def _maybe(schema: Schema, says: str = "") -> Schema:
    found: Schema = {"anyOf": [schema, {"type": "null"}]}
    return {**found, "description": says} if says else found


def _array(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def _said(schema: Schema, says: str) -> Schema:
    return {**schema, "description": says}


WHOLE: Schema = {"type": "integer"}
FLAG: Schema = {"type": "boolean"}
LINE: Schema = {
    "batch": _said(TEXT, "Id of the batch."),
    "reservoir": TEXT,
    "phase": _said(TEXT, "The last phase in the journal, or how it ended."),
    "outcome": {"enum": [*map(str, Outcome)]},
    "began": TIME,
    "salted": _maybe(TIME, "When salt first came."),
    "stabilised": _maybe(TIME, "When mixing was last called over."),
    "released": _maybe(TIME, "When it was last released."),
    "ended": _maybe(TIME),
    "clock_synced": _said(FLAG, "Whether the clock was known to be right at all of its events."),
    "steady_after_s": _maybe(NUMBER, "From the first salt to the first call that mixing is over."),
    "salinity": _maybe(NUMBER, "Practical salinity when it was last called steady."),
    "salinity_u": _maybe(NUMBER, "Its standard uncertainty."),
    "release_salinity": _maybe(NUMBER, "Practical salinity that it was last released with."),
    "release_salinity_u": _maybe(NUMBER, "Its standard uncertainty."),
    "disturbed": _said(WHOLE, "How often its water changed after it was steady."),
    "mix_g": _maybe(NUMBER, "Mass of salt mix, as recorded."),
    "lot": _maybe(TEXT),
    "note": _maybe(TEXT, "The last one."),
}
BATCHES = _object(
    {
        "batches": _array(_object(LINE)),
        "first": _said(WHOLE, "Place of the first of them in the whole list; 0 for none."),
        "count": _said(WHOLE, "Batches in the whole list."),
        "newer": _maybe(WHOLE, "`before` of the page of newer ones; 0 where they are the newest."),
        "older": _maybe(WHOLE, "`before` of the page of older ones."),
    }
)
RECORD = _object(
    {
        **LINE,
        "target_ppt": _maybe(NUMBER, "As configured now; so are the limits."),
        "low_ppt": _maybe(NUMBER),
        "high_ppt": _maybe(NUMBER),
        "conformance_probability": _maybe(NUMBER),
        "release_confidence": _maybe(NUMBER, "Conformance probability that release asks for."),
        "use_by": _maybe(TIME),
        "lot_number": _maybe(TEXT),
        "salt_content": _maybe(NUMBER, "Grams of sea salt per gram of mix."),
        "salt_content_u": _maybe(NUMBER),
        "water_l": _maybe(NUMBER, "Before the salt, heel included."),
        "heel_l": _maybe(NUMBER),
        "heel_salinity": _maybe(NUMBER),
        "notes": _array(_object({"time": TIME, "who": TEXT, "text": TEXT})),
    }
)
MARK = _object(
    {
        "seconds": NUMBER,
        "time": TIME,
        "kind": TEXT,
        "phase": _maybe(TEXT, "The phase that began, where one did."),
        "text": TEXT,
    }
)
CURVE = _object(
    {
        "batch": TEXT,
        "reservoir": TEXT,
        "probe": _maybe(TEXT),
        "zero": _maybe(TIME, "The moment from which `seconds` count."),
        "from_salt": _said(FLAG, "Whether that is when salt came; else the batch began then."),
        "by_the_minute": _said(WHOLE, "Points that stand for a minute of readings."),
        "target_ppt": _maybe(NUMBER),
        "low_ppt": _maybe(NUMBER),
        "high_ppt": _maybe(NUMBER),
        "seconds": _array(NUMBER),
        "salinity": _array(_maybe(NUMBER)),
        "salinity_u": _array(_maybe(NUMBER)),
        "temperature_C": _array(_maybe(NUMBER)),
        "marks": _array(
            _object(
                {"seconds": NUMBER, "time": TIME, "kind": TEXT, "phase": _maybe(TEXT), "text": TEXT}
            )
        ),
    }
)
LOTS = _object(
    {
        "lots": _array(
            _object(
                {
                    "lot": TEXT,
                    "number": _maybe(TEXT, "As printed on its bag."),
                    "bought_g": _maybe(NUMBER),
                    "left_g": _maybe(NUMBER),
                    "opened_on": _maybe({"type": "string", "format": "date"}),
                    "label_content": _maybe(NUMBER),
                    "salt_content": _said(NUMBER, "Grams of sea salt per gram of mix."),
                    "salt_content_u": _said(NUMBER, "Its standard uncertainty."),
                    "basis": {"enum": ["learned", "label", "common practice"]},
                    "batches": _said(WHOLE, "From how many batches; the last 20 count."),
                    "spread": _maybe(NUMBER, "Standard deviation of what they showed."),
                    "shown": _array(
                        _object(
                            {
                                "batch": TEXT,
                                "released": _maybe(TIME),
                                "salt_content": NUMBER,
                                "salt_content_u": NUMBER,
                            }
                        )
                    ),
                    "change": _maybe(
                        _object(
                            {
                                "batch": TEXT,
                                "before": NUMBER,
                                "before_u": NUMBER,
                                "after": NUMBER,
                                "after_u": NUMBER,
                                "agrees": FLAG,
                            }
                        ),
                        "What the last batch changed.",
                    ),
                }
            )
        )
    }
)
