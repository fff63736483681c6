"""The shapes that flow through the service: what goes in, what comes out.

Inputs of a station are a `Sample` or a `Command`; its outputs are `Reading`
and `Event`.  All are plain, frozen data with no behaviour beyond their own
consistency, so that any of them can be written down and read back.  What comes with each
reading (`Instant`, `Sample`, `Reading`) is final by its types and not frozen at run time, which
would take three times as long to make (`deploy/decisions/52-final-by-type.md`).

There is no tick: a driver owes the station a sample every period, with a
fault in it when no value came.  So time passes in the record itself, and a
replay of the record sees the same time pass.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum, StrEnum
from typing import Final, Protocol, TypeAlias

JSON: TypeAlias = "bool | int | float | str | list[JSON] | dict[str, JSON] | None"


class Flag(IntEnum):
    """Quality of one reading, with the numbers of the QARTOD manuals.

    Source: U.S. IOOS QARTOD, Manual for Real-Time Quality Control of In-situ
    Temperature and Salinity Data, version 2.0 (2016).
    """

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


class Phase(StrEnum):
    """Where the water in a reservoir stands."""

    IDLE = "idle"
    BLANK = "blank"
    DISSOLVING = "dissolving"
    VERIFYING = "verifying"
    READY = "ready"
    OFF_TARGET = "off_target"
    STALE = "stale"


class Kind(StrEnum):
    """What an event is about."""

    PHASE = "phase"
    STABILISED = "stabilised"
    DISTURBED = "disturbed"
    FORECAST = "forecast"
    ALARM = "alarm"
    ADVICE = "advice"
    COMMAND = "command"
    CALIBRATION = "calibration"
    BATCH = "batch"
    DEVICE = "device"


@dataclass(slots=True, unsafe_hash=True)
class Instant:
    """One moment on both clocks.

    Attributes:
        wall: UTC, aware.  May jump; only ever written down, never subtracted
            within one boot.
        mono_s: Monotonic seconds; comparable only while `boot` is the same.
        boot: Which run of the machine `mono_s` belongs to.
        synced: Whether the wall clock was known to be synchronised.
    """

    wall: Final[datetime]
    mono_s: Final[float]
    boot: Final[str] = ""
    synced: Final[bool] = True


@dataclass(slots=True, unsafe_hash=True)
class Sample:
    """What one probe said at one moment, or why it said nothing.

    Attributes:
        reservoir: Name of the reservoir it looks at.
        probe: Name of the probe.
        at: When the value was taken.
        conductivity_mS_cm: At the water's own temperature (any compensation
            already undone), mS/cm; None when it did not come.
        temperature_C: ITS-90, °C; None when it did not come.
        pump: Whether the circulation pump runs; None when nobody says.
        fault: Why a value did not come, as a sentence; empty when it did.
        spoken: The instrument's own words, for the record, bounded in length.
        conductivity_age_s: How much older than `at` the conductivity is, s; 0 or more.
        temperature_age_s: The same of the temperature, which may come from elsewhere, s.
    """

    reservoir: Final[str]
    probe: Final[str]
    at: Final[Instant]
    conductivity_mS_cm: Final[float | None]
    temperature_C: Final[float | None]
    pump: Final[bool | None] = None
    fault: Final[str] = ""
    spoken: Final[str] = ""
    conductivity_age_s: Final[float] = 0.0
    temperature_age_s: Final[float] = 0.0


@dataclass(frozen=True, slots=True)
class Command:
    """What a person or an automation asked for, attributed and identified.

    Attributes:
        id: Given by the client; the same id is never carried out twice.
        at: When it was taken from the inbox.
        who: Who asked, as the way in knows them.
        via: The way in: "cli", "mqtt" or "page".
        verb: What is asked, e.g. "batch.use".
        reservoir: Which reservoir it is about; empty for the station.
        facts: Arguments of the verb.
        number: Its place in the inbox; 0 when it did not come through one.
    """

    id: str
    at: Instant
    who: str
    via: str
    verb: str
    reservoir: str = ""
    facts: Mapping[str, JSON] = field(default_factory=dict)
    number: int = 0


@dataclass(frozen=True, slots=True)
class Follower:
    """How far one publisher is behind the journal.

    Attributes:
        name: The publisher's.
        waiting: Entries that it has not been acknowledged for; whoever asks bounds the count.
        behind_s: Age of the oldest of them, s; 0 when none waits.
        error: What it fails with now; empty while it works.
        last_error: What it failed with last, also when it works again.
        last_error_at: When that was, by the machine's wall clock.
        last_success_at: When it last said that it works, by the same; None for never.
        refused: Entries that the other side will never take; they were left out, and said.
        last_refusal: Why, of the last of them.
    """

    name: str
    waiting: int
    behind_s: float
    error: str = ""
    last_error: str = ""
    last_error_at: datetime | None = None
    last_success_at: datetime | None = None
    refused: int = 0
    last_refusal: str = ""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the service runs on, as seen about once a minute.

    Attributes:
        at: When it was looked at.
        storage_free_bytes: Left where the journal lies; None when nobody can tell.
        entries_lost: Entries that could not be written since the process began.
        followers: Every publisher that is configured.
    """

    at: Instant
    storage_free_bytes: int | None = None
    entries_lost: int = 0
    followers: tuple[Follower, ...] = ()


Input: TypeAlias = Sample | Command | Surroundings


@dataclass(slots=True)
class Reading:
    """One sample turned into salinity, with how far it can be trusted.

    Attributes:
        reservoir: Name of the reservoir.
        probe: Name of the probe.
        at: When it was taken.
        conductivity_mS_cm: Raw, at the water's temperature, mS/cm; what the
            probe said, never overwritten.
        temperature_C: ITS-90, °C; raw as well.
        salinity: Practical salinity (PSS-78); None when it cannot be had.
        salinity_u: Standard uncertainty of `salinity`; None with it.
        flag: The worst of `tests`, and MISSING when no value came.
        tests: The flag that each quality test gave.
        pump: As in the sample.
        fault: As in the sample.
        spoken: As in the sample.
        calibration: Id of the calibration that `salinity` was computed under;
            empty where the raw values stand.
        conductivity_age_s: As in the sample.
        temperature_age_s: As in the sample.
        conductivity_age_u_mS_cm: Standard uncertainty that its age gives the conductivity,
            mS/cm; part of `salinity_u`.
        temperature_age_u_C: The same of the temperature, °C.
        figures: Behind each test that is suspect or failed: its figure, in words.
    """

    reservoir: Final[str]
    probe: Final[str]
    at: Final[Instant]
    conductivity_mS_cm: Final[float | None]
    temperature_C: Final[float | None]
    salinity: Final[float | None]
    salinity_u: Final[float | None]
    flag: Final[Flag]
    tests: Final[Mapping[str, Flag]]
    pump: Final[bool | None] = None
    fault: Final[str] = ""
    spoken: Final[str] = ""
    calibration: Final[str] = ""
    conductivity_age_s: Final[float] = 0.0
    temperature_age_s: Final[float] = 0.0
    conductivity_age_u_mS_cm: Final[float] = 0.0
    temperature_age_u_C: Final[float] = 0.0
    figures: Final[Mapping[str, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse a reading whose flag contradicts its value."""
        given = self.salinity is not None
        fits = self.flag is not Flag.MISSING if given else self.flag >= Flag.FAIL
        if not fits:
            msg = f"salinity {self.salinity!r} contradicts flag {self.flag.name}"
            raise ValueError(msg)


class Body(Protocol):
    """What an event says: one of the shapes in `daemon.mixing.events` and beside it."""

    @property
    def kind(self) -> Kind:
        """What it is about."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something happened that a person or a machine may want to know.

    Attributes:
        reservoir: Name of the reservoir; empty for the station itself.
        at: When.
        batch: Which batch it belongs to; empty when none.
        body: What happened.
    """

    reservoir: str
    at: Instant
    batch: str
    body: Body

    @property
    def kind(self) -> Kind:
        """What it is about."""
        return self.body.kind


Entry: TypeAlias = Reading | Event
