"""Every form there is: its command, what is filled in, and where on a page it belongs.

A form that came back with something wrong in it is made again from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

LONGEST_TEXT = 500
LONGEST_NAME = 40
MOST_G = 1_000_000.0
LEAST_L, MOST_L = 0.1, 100_000.0
MOST_PPT = 42.0
LONGEST_SHELF_H = 72.0
SHORTEST_SHELF_H = 1.0 / 60.0

Group = Literal["question", "batch", "alarms", "lots", "calibration"]


@dataclass(frozen=True, slots=True)
class Field:
    """One thing to fill in.

    Attributes:
        name: Of the argument; of the form alone where that is a tick that must be set.
        label: What to fill in, with its unit.
        shape: A line, several lines, a number, a date, a tick, or a tick that must be set.
        required: Whether it must be filled in.
        unit: Of a number; see `daemon.page.acts.quantity`.
        low: Least that is taken.
        high: Most that is taken.
        example: Of a number.
        hint: More on it, as a sentence without its full stop.
        longest: Most characters of a text.
        suggestions: What to propose: the lots that are known.
    """

    name: str
    label: str
    shape: Literal["line", "lines", "number", "date", "tick", "consent"] = "line"
    required: bool = True
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    example: str = "40.5"
    hint: str = ""
    longest: int = LONGEST_TEXT
    suggestions: Literal["", "lots"] = ""


@dataclass(frozen=True, slots=True)
class FormKind:
    """A form, apart from what it is about.

    Attributes:
        verb: Of its command.
        title: Of the form; its heading where it has something to fill in.
        button: What its button says.
        group: Where on a page it belongs, and its answer is shown.
        fields: To be filled in.
        fixed: Arguments that are always the same.
    """

    verb: str
    title: str
    button: str
    group: Group = "batch"
    fields: tuple[Field, ...] = ()
    fixed: Mapping[str, bool | str] = field(default_factory=lambda: MappingProxyType({}))


def _number(
    name: str,
    label: str,
    unit: str,
    between: tuple[float, float],
    example: str,
    *,
    required: bool = False,
    hint: str = "",
) -> Field:
    low, high = between
    return Field(
        name, label, "number", required, unit, low=low, high=high, example=example, hint=hint
    )


_VOLUME = (LEAST_L, MOST_L)
_LOT = Field(
    "lot", "Lot of the mix", required=False, longest=LONGEST_NAME, suggestions="lots",
    hint="its name as recorded under lots",
)  # fmt: skip
_WATER = (
    _number(
        "volume_l", "Water in the vessel, L", "L", _VOLUME, "180",
        hint="the usual volume where empty",
    ),
    _number(
        "heel_volume_l", "Heel: water that was left, L", "L", (0.0, MOST_L), "20",
        hint="0 for purified water alone",
    ),
    _number(
        "heel_salinity", "Salinity of the heel, ppt", "ppt", (0.0, MOST_PPT), "33.8",
        hint="wanted where a heel is given",
    ),
)  # fmt: skip
_MASS = _number("mass_g", "Mass of mix weighed, g", "g", (0.0, MOST_G), "6510")
_SECOND = (
    _number(
        "u_ppt", "Standard uncertainty of the instrument, ppt", "ppt", (0.001, 10.0), "0.25",
        hint="0.25 where empty",
    ),
    Field("instrument", "Which instrument", required=False, longest=LONGEST_NAME),
    Field("anyway", "Record it although it contradicts everything else", "tick", required=False),
)  # fmt: skip
_SAMPLE_C = _number(
    "temperature_C", "Temperature of the sample, °C", "°C", (0.0, 40.0), "24.5", required=True
)
_OF_A_LOT = (
    Field("number", "Lot number printed on the bag", required=False, longest=LONGEST_NAME),
    Field("opened_on", "Opened on", "date", required=False, longest=LONGEST_NAME),
    _number("label_yield", "Grams of salt in a gram of mix, by the label", "", (0.5, 1.0), "0.88"),
)
_REASON = Field("reason", "Reason")

KINDS: Mapping[str, FormKind] = MappingProxyType(
    {
        "start": FormKind(
            "batch.start", "Start a batch", "Start the batch",
            fields=(_MASS, _LOT, *_WATER),
        ),
        "salt": FormKind(
            "batch.start", "Record the salt", "Record the salt",
            fields=(
                _number(
                    "mass_g", "All mix that went in, g", "g", (0.0, MOST_G), "6510", required=True
                ),
                _LOT,
                *_WATER,
            ),
        ),
        "confirm": FormKind(
            "batch.confirm", "Clear and no residue",
            "Confirm: the water is clear and nothing lies on the bottom",
        ),
        "use": FormKind(
            "batch.use", "Water was used", "Record as used",
            fields=(
                _number(
                    "volume_l", "Litres used", "L", (0.0, MOST_L), "40",
                    hint="all that is left where empty, which ends the batch",
                ),
            ),
        ),
        "reading-salinity": FormKind(
            "batch.reading", "Second reading: salinity", "Record the reading",
            fields=(
                _number(
                    "salinity", "Salinity that it reads, ppt", "ppt", (0.0, MOST_PPT), "34.1",
                    required=True,
                ),
                *_SECOND,
            ),
        ),
        "reading-hydrometer": FormKind(
            "batch.reading", "Second reading: hydrometer", "Record the reading",
            fields=(
                _number(
                    "specific_gravity", "Specific gravity that it reads", "", (0.9, 1.1), "1.0256",
                    required=True,
                ),
                Field(
                    "hydrometer", "Its pair of temperatures, such as 25/25 or 60/60F",
                    longest=LONGEST_NAME,
                ),
                _SAMPLE_C,
                *_SECOND,
            ),
        ),
        "reading-refractometer": FormKind(
            "batch.reading", "Second reading: refractometer", "Record the reading",
            fields=(
                _number(
                    "refractive_index", "Refractive index that it reads", "", (1.3, 1.4), "1.3394",
                    required=True,
                ),
                _SAMPLE_C,
                *_SECOND,
            ),
        ),
        "note": FormKind(
            "batch.note", "Note", "Add the note", fields=(Field("text", "Note", "lines"),)
        ),
        "discard": FormKind(
            "batch.discard", "Discard the batch", "Discard the batch",
            fields=(
                Field("why", "Reason", required=False),
                Field("sure", "This ends the batch without using it", "consent"),
            ),
        ),
        "answer": FormKind("batch.answer", "Answer", "Answer", "question"),
        "acknowledge": FormKind("alarm.acknowledge", "Acknowledge", "Acknowledge", "alarms"),
        "acknowledge-all": FormKind(
            "alarm.acknowledge", "Acknowledge all", "Acknowledge all", "alarms",
            fixed=MappingProxyType({"all": True}),
        ),
        "shelve": FormKind(
            "alarm.shelve", "Shelve", "Shelve", "alarms",
            fields=(
                _number(
                    "hours", "For how many hours", "h", (SHORTEST_SHELF_H, LONGEST_SHELF_H), "4",
                    required=True,
                ),
                _REASON,
            ),
        ),
        "unshelve": FormKind("alarm.unshelve", "Unshelve", "Unshelve", "alarms"),
        "remove-from-service": FormKind(
            "alarm.remove-from-service", "Remove from service", "Remove from service", "alarms",
            fields=(
                _REASON,
                Field("sure", "It stays silent until a person returns it to service", "consent"),
            ),
        ),
        "return-to-service": FormKind(
            "alarm.return-to-service", "Return to service", "Return to service", "alarms"
        ),
        "lot-add": FormKind(
            "lot.add", "Add a lot of mix", "Add the lot", "lots",
            fields=(
                Field("name", "Your own name for it", longest=LONGEST_NAME),
                _number("bought_g", "Mass bought, g", "g", (0.0, MOST_G), "25000"),
                _number(
                    "left_g", "Mass left, g", "g", (0.0, MOST_G), "18500",
                    hint="all of it where empty",
                ),
                *_OF_A_LOT,
            ),
        ),
        "lot-adjust": FormKind(
            "lot.adjust", "Correct a lot", "Correct the lot", "lots",
            fields=(
                Field("name", "Name of the lot", longest=LONGEST_NAME, suggestions="lots"),
                _number("left_g", "Mass left, g", "g", (0.0, MOST_G), "18500"),
                *_OF_A_LOT,
            ),
        ),
    }
)  # fmt: skip
"""By the name that a form carries."""

ANSWERS = {
    "probe-out": "The probe is out of the water",
    "same-water": "The probe is in the water of the batch",
    "refilled": "The vessel was refilled",
}
"""What the buttons of the answers about the place of the probe say."""
