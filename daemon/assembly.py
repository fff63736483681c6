"""From the configuration to the settings of the parts."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from calibration.model import Instrument
from daemon.clock import Clock
from daemon.journal.station_clock import station_clock
from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.mixing.batch.advice import Vessel
from daemon.mixing.batch.due_times import DueBatch
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.probe.quality import QualityLimits
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.host import StationSettings
from daemon.mixing.station.station import ReservoirSettings
from daemon.probes import registry
from daemon.probes.driver import Buses
from daemon.probes.joined import Instruments, Joining, JoiningSettings

if TYPE_CHECKING:
    from daemon.config import Config, Probe, Reservoir
    from daemon.config import Due as Wanted
    from daemon.probes.driver import Driver

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
GAP_PERIODS = 5
SHORTEST_GAP_S = 15.0
WINDOW_MIN, WINDOW_READINGS = 15.0, 60
"""A weak signal shows within so many minutes, and so many readings."""
RECORDING = "recording"
"""Probe of a reservoir that has none of its own, so that recordings of it can be replayed."""


def clock(config: Config) -> Clock:
    """Return the machine's clock, or the faster one of a rehearsal."""
    return station_clock(config)


def reservoirs(config: Config) -> dict[str, ReservoirSettings]:
    """Return the settings of every reservoir, by name."""
    zone = config.station.zone
    return {
        reservoir.name: replace(reservoir_settings(reservoir), zone=zone)
        for reservoir in config.reservoirs
    }


def station(config: Config) -> StationSettings:
    """Return the settings of the station: its alarms as the owner wants them."""
    rows = dict(CATALOGUE)
    for each in config.alarms:
        row = rows[each.name]
        rows[each.name] = replace(
            row,
            on_delay_s=row.on_delay_s if each.on_delay_s is None else each.on_delay_s,
            off_delay_s=row.off_delay_s if each.off_delay_s is None else each.off_delay_s,
            deadband=row.deadband if each.deadband is None else each.deadband,
            ranked=None if each.priority is None else Priority(each.priority),
        )
    return StationSettings(alarms=rows)


def reservoir_settings(reservoir: Reservoir) -> ReservoirSettings:
    """Return the settings of one reservoir."""
    return ReservoirSettings(
        name=reservoir.name,
        batch=BatchSettings(
            target_ppt=reservoir.target_ppt,
            tolerance_ppt=reservoir.tolerance_ppt,
            use_within_h=reservoir.use_within_h,
            warn_before_h=reservoir.warn_before_h,
            remix_every_h=reservoir.remix_every_h,
            undecided_after_min=reservoir.undecided_after_min,
            homogeneity_ppt=reservoir.homogeneity_ppt,
            purified_max_uS_cm=reservoir.purified_max_uS_cm,
            temperature_range_C=reservoir.temperature_range_C,
            needs_confirmation=reservoir.needs_confirmation,
            needs_second_reading=reservoir.needs_second_reading,
            release_short=reservoir.release_short,
            settle_within_min=reservoir.settle_within_min,
            release_confidence=reservoir.release_confidence,
            blank_max_ppt=reservoir.blank_max_ppt,
            vessel=Vessel(reservoir.fill_l, reservoir.capacity_l, reservoir.mix_yield),
        ),
        quality=_quality(reservoir),
        probes=_probes(reservoir),
        due=tuple(_due(each) for each in reservoir.due),
        instruments={probe.name: _instrument(probe) for probe in reservoir.probes},
        thermometers={
            probe.name: probe.temperature_from
            for probe in reservoir.probes
            if probe.temperature_from is not None
        },
        calibrate_every_days={probe.name: probe.calibrate_every_days for probe in reservoir.probes},
    )


def _probes(reservoir: Reservoir) -> dict[str, ProbeUncertainty]:
    if not reservoir.probes:
        return {RECORDING: ProbeUncertainty()}
    return {
        probe.name: ProbeUncertainty(probe.conductivity_u_percent, probe.temperature_u_C)
        for probe in reservoir.probes
    }


def _instrument(probe: Probe) -> Instrument:
    return Instrument(
        probe.name,
        linearity_percent=probe.linearity_percent,
        zero_limits_mS_cm=probe.zero_limits_mS_cm,
        cell_temperature_C=probe.cell_temperature_C,
        drift_percent_30d=probe.drift_percent_30d,
    )


def _due(wanted: Wanted) -> DueBatch:
    hour, minute = wanted.time.split(":")
    weekday = None if wanted.day == "daily" else DAYS.index(wanted.day)
    volume_l, fraction = wanted.volume_l or 0.0, None
    if wanted.tank_l is not None and wanted.change_percent is not None:
        fraction = wanted.change_percent / 100.0
        volume_l = wanted.tank_l * fraction
    return DueBatch(
        weekday, int(hour), int(minute), volume_l, fraction, float(wanted.remind_before_min)
    )


def _quality(reservoir: Reservoir) -> QualityLimits:
    limits = reservoir.quality
    period_s = max((probe.period_s for probe in reservoir.probes), default=2.0)
    gap_s = limits.gap_s or _gap_s(period_s)
    window_min = limits.attenuated_min or max(WINDOW_MIN, WINDOW_READINGS * period_s / 60.0)
    return QualityLimits(**{**limits.model_dump(), "gap_s": gap_s, "attenuated_min": window_min})


def probes(config: Config) -> list[Driver]:
    """Return a driver for each input and then for each probe, in the order of the file.

    Nothing is opened yet.
    """
    buses = Buses()
    inputs = [registry.make("", each, buses) for each in config.inputs]
    return inputs + [
        registry.make(reservoir.name, probe, buses)
        for reservoir in config.reservoirs
        for probe in reservoir.probes
    ]


def instruments(config: Config) -> Instruments:
    """Return all that is read, and what joins it."""
    return Instruments(probes(config), joining(config))


def joining(config: Config) -> Joining:
    """Return what joins the values of inputs with those of probes."""
    joined = {
        (reservoir.name, probe.name): probe
        for reservoir in config.reservoirs
        for probe in reservoir.probes
        if probe.temperature_from is not None
    }
    return Joining(
        JoiningSettings(
            oldest_s={each.name: _gap_s(each.period_s) for each in config.inputs},
            temperature_from={key: str(probe.temperature_from) for key, probe in joined.items()},
            pump_from={
                each.name: each.pump_from
                for each in config.reservoirs
                if each.pump_from is not None
            },
            period_s={key: probe.period_s for key, probe in joined.items()},
        )
    )


def _gap_s(period_s: float) -> float:
    """Return after what silence a value tells no more of the present, s; our own choice."""
    return max(SHORTEST_GAP_S, GAP_PERIODS * period_s)
