"""The whole configuration: one TOML file, checked whole before anything starts.

`load` gives a `Config` or raises one `ConfigError` that lists every fault as a
sentence.  Nothing here opens a port, a database or a secret.
"""

from daemon.config.loading import ConfigError, find_config, load, parse
from daemon.config.models import (
    Config,
    Due,
    Quality,
    Reservoir,
    Station,
)
from daemon.config.people import Heartbeat, Notify
from daemon.config.probe import (
    Drivers,
    IndicatingSource,
    LinearCompensation,
    Occupation,
    Probe,
    Quantity,
    Source,
    Units,
)
from daemon.config.services import Influx, Journal, Mqtt, Page

__all__ = [
    "Config",
    "ConfigError",
    "Drivers",
    "Due",
    "Heartbeat",
    "IndicatingSource",
    "Influx",
    "Journal",
    "LinearCompensation",
    "Mqtt",
    "Notify",
    "Occupation",
    "Page",
    "Probe",
    "Quality",
    "Quantity",
    "Reservoir",
    "Source",
    "Station",
    "Units",
    "find_config",
    "load",
    "parse",
]
