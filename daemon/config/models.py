"""The sections of the configuration file, with their limits and defaults.

Keys carry their unit.  A key without a default must be given.
"""

from __future__ import annotations

from datetime import UTC, tzinfo
from typing import Annotated, Literal, TypeAlias
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, AwareDatetime, Field

from daemon.config.alarms import Alarm
from daemon.config.fields import (
    Label,
    Section,
    clock_time,
    label,
    name,
    number,
    one_of,
    sections,
    text,
    whole,
)
from daemon.config.people import Heartbeat, Notify
from daemon.config.probe import InputSection, ProbeSection
from daemon.config.services import Influx, Journal, Mqtt, Page


def _ascending(value: tuple[float, float]) -> tuple[float, float]:
    if value[0] >= value[1]:
        msg = "the first number must be below the second"
        raise ValueError(msg)
    return value


def _zone(value: str) -> str:
    if value == "UTC":
        return value
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError("no such time zone is known on this machine") from None
    return value


Span: TypeAlias = Annotated[tuple[float, float], Field(strict=False), AfterValidator(_ascending)]


class Station(Section):
    """`[station]`: the one computer that this file is for.

    Attributes:
        name: First part of every topic below `brinewright/`.
        label: What people call it on screens; None for its name.
        timezone: Of due times, and of every time that a person reads; records stay UTC.
        rehearsal_speed: Time runs this many times faster; for rehearsals with
            the simulator only, 1 in service.
        rehearsal_since: When the rehearsal began, or an earlier date, on which it is to play; None
            for when its first process began.
    """

    name: str = name("station")
    label: Label | None = label("station")
    timezone: Annotated[str, AfterValidator(_zone)] = Field(
        "UTC", description="the name of a time zone such as 'Europe/Lisbon'"
    )
    rehearsal_speed: float = number(1, 1000, "times real time", 1.0)
    rehearsal_since: AwareDatetime | None = Field(
        None, description="a date and time with its zone, such as 2026-03-02T08:00:00Z"
    )

    @property
    def zone(self) -> tzinfo:
        """The time zone, which was known when the file was read."""
        # A machine without a list of time zones knows this one all the same.
        return UTC if self.timezone == "UTC" else ZoneInfo(self.timezone)


class Quality(Section):
    """`[reservoir.quality]`: thresholds of the quality tests; all are our own choice.

    Attributes:
        gap_s: Seconds without a reading that count as a gap; None to follow
            from the probe's period.
        spike_suspect_ppt: A lone jump from which a reading is suspect; None to follow from
            the probe's period and noise.
        spike_fail_ppt: A lone jump from which it fails.
        rate_suspect_ppt_per_min: Change from which it is suspect.
        rate_suspect_C_per_min: Change of temperature from which it is suspect.
        flat_suspect_min: Minutes without any change from which it is suspect; None to follow
            from the probe's noise and resolution.
        flat_fail_min: Minutes without any change from which it fails; None likewise.
        temperature_range_C: What the water can be at all, °C.
        conductivity_range_mS_cm: What the water can be at all, mS/cm.
        expected_margin_ppt: How far beyond what its phase lets expect water may be, ppt.
        expected_margin_C: How far beyond the band of the reservoir released water may be, °C.
        attenuated_min: Minutes within which the signal must scatter; None for 15, and more where
            the period makes too few readings of them.
        attenuated_suspect_mS_cm: Scatter below which a reading is suspect; None for a fifth of
            the probe's usual noise.
        attenuated_fail_mS_cm: Scatter below which it fails; None for never.
        neighbour_apart_ppt: How far apart two probes of one reservoir may always be, ppt.
        neighbour_apart_C: How far apart two of their thermometers may always be, °C.
        conductivity_step_mS_cm: Resolution of the instrument; None to find it out.
        temperature_step_C: Resolution of its thermometer; None to find it out.
        noise_ppt: Standard deviation of readings of still water; None to find it out.
    """

    gap_s: float | None = number(0.2, 86_400, "seconds", None)
    spike_suspect_ppt: float | None = number(0.01, 42, "ppt", None)
    spike_fail_ppt: float = number(0.01, 42, "ppt", 3.0)
    rate_suspect_ppt_per_min: float = number(0.01, 1000, "ppt per minute", 60.0)
    rate_suspect_C_per_min: float = number(0.01, 1000, "°C per minute", 3.0)
    flat_suspect_min: float | None = number(0.1, 1440, "minutes", None)
    flat_fail_min: float | None = number(0.1, 10_080, "minutes", None)
    temperature_range_C: Span = Field(
        (0.0, 40.0), description="two rising numbers in °C such as [0, 40]"
    )
    conductivity_range_mS_cm: Span = Field(
        (-0.1, 100.0), description="two rising numbers in mS/cm such as [0, 100]"
    )
    expected_margin_ppt: float = number(0.1, 42, "ppt", 2.0)
    expected_margin_C: float = number(0.1, 40, "°C", 3.0)
    attenuated_min: float | None = number(1, 1440, "minutes", None)
    attenuated_suspect_mS_cm: float | None = number(1e-6, 10, "mS/cm", None)
    attenuated_fail_mS_cm: float | None = number(1e-6, 10, "mS/cm", None)
    neighbour_apart_ppt: float = number(0.01, 42, "ppt", 0.3)
    neighbour_apart_C: float = number(0.01, 40, "°C", 0.5)
    conductivity_step_mS_cm: float | None = number(1e-6, 10, "mS/cm", None)
    temperature_step_C: float | None = number(1e-6, 10, "°C", None)
    noise_ppt: float | None = number(1e-6, 10, "ppt", None)


class Due(Section):
    """`[[reservoir.due]]`: a batch that is wanted again and again.

    Attributes:
        day: Of the week, or "daily".
        time: Of the station's local clock, such as "10:00".
        volume_l: Litres wanted; None where the next two tell.
        tank_l: Litres in the tank that is changed.
        change_percent: Share of it that a change replaces; common practice is
            10 % a week, no source.
        remind_before_min: Minutes before the latest start at which a person is
            reminded; our own choice.
    """

    day: Literal[
        "daily", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"
    ] = one_of(
        "daily", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"
    )
    time: Annotated[str, AfterValidator(clock_time)] = Field(
        description="hours and minutes such as '10:00'"
    )
    volume_l: float | None = number(0.1, 100_000, "litres", None)
    tank_l: float | None = number(0.1, 1_000_000, "litres", None)
    change_percent: float | None = number(0.1, 100, "% of the tank", None)
    remind_before_min: int = whole(1, 1440, "minutes", 60)


class Reservoir(Section):
    """`[[reservoir]]`: one mixing vessel and what its water must become.

    Attributes:
        name: Unique; second part of its topics.
        label: What people call it on screens; None for its name.
        capacity_l: What it holds when full to the brim, litres.
        fill_l: What a batch fills it to, litres.
        target_ppt: Practical salinity to reach; common practice, no source:
            33 to 35 where corals live.
        tolerance_ppt: From it to either tolerance limit; 1 in the example is
            our own choice.
        use_within_h: Hours after release until the water is expired; common
            practice, no source.
        settle_within_min: Minutes within which mixing should be over; common
            practice, no source.
        release_confidence: Conformance probability that release needs (JCGM
            106:2012 names the method, not the figure); our own choice.
        warn_before_h: Hours before that from which the batch counts as ageing;
            our own choice.
        remix_every_h: Hours after which standing water is advised to be mixed;
            our own choice.
        undecided_after_min: Minutes of verifying after which `batch-undecided` says what would
            decide it; our own choice.
        homogeneity_ppt: How far, ±, steady water elsewhere in the vessel may be from that
            at the probe; our own choice, the same as "steady" allows.
        blank_max_ppt: Below this the water counts as purified, no salt added;
            our own choice.
        purified_max_uS_cm: Conductivity at 25 °C above which purified water is
            reported impure; from memory: good reverse osmosis gives 5 to 20.
        temperature_range_C: Where the water must be for release; None for
            anywhere.  The band in the example is common practice, no source.
        needs_confirmation: Release waits until a person confirms clear water
            and a clean bottom.
        needs_second_reading: Release waits for an independent instrument.
        release_short: Release although salt that was weighed is unaccounted for.
        mix_yield: Grams of sea salt per gram of salt mix; common practice, no source.
        due: When batches are wanted.
        quality: Thresholds of the quality tests.
        pump_from: Name of the `[[input]]` that says whether the circulation pump runs; None where
            a probe's own instrument says it, or nobody.
        probes: What measures it; none is needed to replay a recording.
    """

    name: str = name("reservoir")
    label: Label | None = label("reservoir")
    capacity_l: float = number(0.1, 100_000, "litres")
    fill_l: float = number(0.1, 100_000, "litres")
    target_ppt: float = number(0, 42, "ppt")
    tolerance_ppt: float = number(0.01, 10, "ppt")
    use_within_h: float = number(0.1, 8760, "hours", 24.0)
    settle_within_min: float = number(1, 10_080, "minutes", 30.0)
    release_confidence: float = number(0.501, 0.9999, "(a probability)", 0.95)
    warn_before_h: float = number(0, 8760, "hours", 4.0)
    remix_every_h: float = number(0.5, 8760, "hours", 24.0)
    undecided_after_min: float = number(1, 10_080, "minutes", 30.0)
    homogeneity_ppt: float = number(0, 5, "ppt", 0.1)
    blank_max_ppt: float = number(0.01, 10, "ppt", 1.0)
    purified_max_uS_cm: float = number(1, 10_000, "µS/cm at 25 °C", 30.0)
    temperature_range_C: Span | None = Field(
        None, description="two rising numbers in °C such as [23, 27]"
    )
    needs_confirmation: bool = Field(default=False, description="true or false")
    needs_second_reading: bool = Field(default=False, description="true or false")
    release_short: bool = Field(default=False, description="true or false")
    mix_yield: float = number(0.5, 1, "grams of sea salt per gram of salt mix", 0.881)
    pump_from: str | None = text("the name of an [[input]] such as 'pump-1'", None, 63)
    quality: Quality = Field(default=Quality(), description="a section [reservoir.quality]")
    due: tuple[Due, ...] = sections(
        "sections headed [[reservoir.due]], in double brackets", "due", ()
    )
    probes: tuple[ProbeSection, ...] = sections(
        "sections headed [[reservoir.probe]], in double brackets", "probe", ()
    )


class Config(Section):
    """The whole file.

    Attributes:
        station: `[station]`.
        reservoirs: `[[reservoir]]`, in the order of the file.
        inputs: `[[input]]`: thermometers and pump contacts that stand on their own.
        journal: `[journal]`.
        mqtt: `[mqtt]`, or None.
        influx: `[influx]`, or None.
        page: `[page]`.
        notify: `[notify]`, or None.
        heartbeat: `[heartbeat]`, or None.
        alarms: `[[alarm]]`, where the owner wants one otherwise than the catalogue has it.
    """

    station: Station = Field(description="a section [station]")
    reservoirs: tuple[Reservoir, ...] = sections(
        "at least one section headed [[reservoir]], in double brackets", "reservoir"
    )
    inputs: tuple[InputSection, ...] = sections(
        "sections headed [[input]], in double brackets", "input", ()
    )
    journal: Journal = Field(default=Journal(), description="a section [journal]")
    mqtt: Mqtt | None = Field(None, description="a section [mqtt]")
    influx: Influx | None = Field(None, description="a section [influx]")
    page: Page = Field(default=Page(), description="a section [page]")
    notify: Notify | None = Field(None, description="a section [notify]")
    heartbeat: Heartbeat | None = Field(None, description="a section [heartbeat]")
    alarms: tuple[Alarm, ...] = sections(
        "sections headed [[alarm]], in double brackets", "alarm", ()
    )

    @property
    def client_id(self) -> str:
        """The MQTT client id: the one given, or one made from the station's name."""
        given = self.mqtt.client_id if self.mqtt else None
        return given or f"brinewright-{self.station.name}"

    @property
    def publishers(self) -> tuple[str, ...]:
        """Names of everything that the journal is published to, in a fixed order."""
        known = ("mqtt", "influx", "notify")
        return tuple(name for name in known if getattr(self, name) is not None)

    def reservoir(self, name: str) -> Reservoir:
        """Return the reservoir called `name`.

        Raises:
            KeyError: There is none.
        """
        for one in self.reservoirs:
            if one.name == name:
                return one
        raise KeyError(name)
