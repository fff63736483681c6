"""What each of several probes of one reservoir contributes to its salinity: plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

from daemon.entries import Flag
from daemon.mixing.probe.place_state import PlaceState

Values: TypeAlias = tuple[float, float, float]
"""Conductivity in mS/cm, temperature in °C, practical salinity; or what changes them."""


@dataclass(slots=True)
class Indication:
    """What a probe last said of the water, corrected by its calibration.

    Attributes:
        t_s: When, s.
        conductivity_mS_cm: At the water's temperature.
        temperature_C: Of the water.
        salinity: Practical salinity.
        u: Its standard uncertainty.
        flag: Of its reading.
        tests: The tests of that reading, each with its flag.
        figures: Of those that are suspect.
    """

    t_s: float
    conductivity_mS_cm: float
    temperature_C: float
    salinity: float
    u: float
    flag: Flag = Flag.PASS
    tests: dict[str, Flag] = field(default_factory=dict)
    figures: dict[str, str] = field(default_factory=dict)

    @property
    def values(self) -> Values:
        """Conductivity in mS/cm, temperature in °C, practical salinity."""
        return self.conductivity_mS_cm, self.temperature_C, self.salinity


@dataclass(slots=True)
class Share:
    """What is remembered of one probe beside others.

    Attributes:
        sample_s: When anything last came from it, s; None before.
        newest: Its last usable indication; None before any, and after its calibration changed.
        elsewhere: What it says where it is not in the water; None while it is.
        trouble: Why its last reading was of no use, as a sentence; empty where it was.
        apart: Its mean difference from the reconciled values in the last minutes: share of
            conductivity, °C, share of salinity; None where it was not yet compared.
        compared_s: Since when it has been compared with others, s; None before.
        usual: Mean salinity of the last hours in water at rest; None before.
        usual_s: Time of that, s.
        left_s: Since when its readings are left out because it left its own history, s.
        moved: How far it moved then, practical salinity.
        dissent: How far it read from the others when they last disagreed, practical salinity; 0
            where they agree.
        near_s: Since when it reads as the others again, though left out, s.
        stuck: Whether its last readings were the very same for so long that they were refused.
        salted: Whether it has read salt water since all probes last read purified water.
        indicated: Conductivity in mS/cm and temperature in °C that it last showed; None before.
        steps: The smallest steps that it indicated of both, mS/cm and °C; None before any.
        bare_s: Since when it reads next to nothing where the others read salt water, s.
    """

    sample_s: float | None = None
    newest: Indication | None = None
    elsewhere: Indication | None = None
    trouble: str = ""
    apart: Values | None = None
    compared_s: float | None = None
    usual: float | None = None
    usual_s: float = 0.0
    left_s: float | None = None
    moved: float = 0.0
    dissent: float = 0.0
    near_s: float | None = None
    stuck: bool = False
    salted: bool = False
    indicated: tuple[float, float] | None = None
    steps: tuple[float | None, float | None] = (None, None)
    bare_s: float | None = None


@dataclass(slots=True)
class Reconciliation:
    """What is remembered of the probes of one reservoir together; unused where there is one.

    Attributes:
        shares: By probe.
        decides: The probe at whose pace the water is followed; empty before any.
        members: Probes whose readings are in the reconciled values.
        even: What makes up, for those who look for change, for a probe that drops out or comes
            back, so that it moves no water: factor of conductivity, °C, factor of salinity.
        values: The last reconciled ones; None before any.
        reconciled_s: Time of those, s.
        disputed: Whether those that count did not agree at the last reading.
        place: Where the probes are, as a whole.
    """

    shares: dict[str, Share] = field(default_factory=dict)
    decides: str = ""
    members: list[str] = field(default_factory=list)
    even: Values = (1.0, 0.0, 1.0)
    values: Values | None = None
    reconciled_s: float = 0.0
    disputed: bool = False
    place: PlaceState = field(default_factory=PlaceState)

    def share(self, probe: str) -> Share:
        """Return what is remembered of a probe."""
        return self.shares.setdefault(probe, Share())
