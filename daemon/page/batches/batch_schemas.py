"""JSON Schemas of what programs get of batches and lots."""

from __future__ import annotations

from daemon.journal.published_schemas import NUMBER, TEXT, TIME
from daemon.page.api.endpoint import Schema
from daemon.page.api.schema_parts import list_of, or_null, whole_object
from daemon.page.batches.outcomes import Outcome


def _described(schema: Schema, says: str) -> Schema:
    return {**schema, "description": says}


WHOLE: Schema = {"type": "integer"}
FLAG: Schema = {"type": "boolean"}
LINE: Schema = {
    "batch": _described(TEXT, "Id of the batch."),
    "reservoir": TEXT,
    "phase": _described(TEXT, "The last phase in the journal, or how it ended."),
    "outcome": {"enum": [*map(str, Outcome)]},
    "began": TIME,
    "salted": or_null(TIME, "When salt first came."),
    "stabilised": or_null(TIME, "When mixing was last called over."),
    "released": or_null(TIME, "When it was last released."),
    "ended": or_null(TIME),
    "clock_synced": _described(
        FLAG, "Whether the clock was right at all of its events, as far as known."
    ),
    "steady_after_s": or_null(NUMBER, "From the first salt to the first call that mixing is over."),
    "salinity": or_null(NUMBER, "Practical salinity when it was last called steady."),
    "salinity_u": or_null(NUMBER, "Its standard uncertainty."),
    "release_salinity": or_null(NUMBER, "Practical salinity that it was last released with."),
    "release_salinity_u": or_null(NUMBER, "Its standard uncertainty."),
    "disturbed": _described(WHOLE, "How often its water changed after it was steady."),
    "mix_g": or_null(NUMBER, "Mass of salt mix, as recorded."),
    "lot": or_null(TEXT),
    "note": or_null(TEXT, "The last one."),
}
BATCHES = whole_object(
    {
        "batches": list_of(whole_object(LINE)),
        "first": _described(WHOLE, "Place of the first of them in the whole list; 0 for none."),
        "count": _described(WHOLE, "Batches in the whole list."),
        "newer": or_null(WHOLE, "`before` of the page of newer ones; 0 where they are the newest."),
        "older": or_null(WHOLE, "`before` of the page of older ones."),
    }
)
RECORD = whole_object(
    {
        **LINE,
        "target_ppt": or_null(NUMBER, "As configured now; so are the limits."),
        "low_ppt": or_null(NUMBER),
        "high_ppt": or_null(NUMBER),
        "conformance_probability": or_null(NUMBER),
        "release_confidence": or_null(NUMBER, "Conformance probability that release asks for."),
        "use_by": or_null(TIME),
        "lot_number": or_null(TEXT),
        "salt_content": or_null(NUMBER, "Grams of sea salt per gram of mix."),
        "salt_content_u": or_null(NUMBER),
        "water_l": or_null(NUMBER, "Before the salt, heel included."),
        "heel_l": or_null(NUMBER),
        "heel_salinity": or_null(NUMBER),
        "notes": list_of(whole_object({"time": TIME, "who": TEXT, "text": TEXT})),
    }
)
MARK = whole_object(
    {
        "seconds": NUMBER,
        "time": TIME,
        "kind": TEXT,
        "phase": or_null(TEXT, "The phase that began, where one did."),
        "text": TEXT,
    }
)
CURVE = whole_object(
    {
        "batch": TEXT,
        "reservoir": TEXT,
        "probe": or_null(TEXT),
        "zero": or_null(TIME, "The moment from which `seconds` count."),
        "from_salt": _described(FLAG, "Whether that is when salt came; else the batch began then."),
        "by_the_minute": _described(WHOLE, "Points that stand for a minute of readings."),
        "target_ppt": or_null(NUMBER),
        "low_ppt": or_null(NUMBER),
        "high_ppt": or_null(NUMBER),
        "seconds": list_of(NUMBER),
        "salinity": list_of(or_null(NUMBER)),
        "salinity_u": list_of(or_null(NUMBER)),
        "temperature_C": list_of(or_null(NUMBER)),
        "marks": list_of(
            whole_object(
                {
                    "seconds": NUMBER,
                    "time": TIME,
                    "kind": TEXT,
                    "phase": or_null(TEXT),
                    "text": TEXT,
                }
            )
        ),
    }
)
LOTS = whole_object(
    {
        "lots": list_of(
            whole_object(
                {
                    "lot": TEXT,
                    "number": or_null(TEXT, "As printed on its bag."),
                    "bought_g": or_null(NUMBER),
                    "left_g": or_null(NUMBER),
                    "opened_on": or_null({"type": "string", "format": "date"}),
                    "label_content": or_null(NUMBER),
                    "salt_content": _described(NUMBER, "Grams of sea salt per gram of mix."),
                    "salt_content_u": _described(NUMBER, "Its standard uncertainty."),
                    "basis": {"enum": ["learned", "label", "common practice"]},
                    "batches": _described(WHOLE, "From how many batches; the last 20 count."),
                    "spread": or_null(NUMBER, "Standard deviation of what they showed."),
                    "shown": list_of(
                        whole_object(
                            {
                                "batch": TEXT,
                                "released": or_null(TIME),
                                "salt_content": NUMBER,
                                "salt_content_u": NUMBER,
                            }
                        )
                    ),
                    "change": or_null(
                        whole_object(
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
