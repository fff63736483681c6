"""Quality tests on one probe's readings, after the QARTOD manuals.

Every test gives one flag; the reading carries the worst of them.  The order is the numeric one
(1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing), so no test can improve what another has
found.  Each flag from suspect on comes with its figure in words.

Source: U.S. IOOS QARTOD, Manual for Real-Time Quality Control of In-situ Temperature and Salinity
Data, version 2.0 (2016), tests 1 to 11; its tests 12 and 13 are of profiles in depth.
The tests of the scale and of immersion are our own: practical salinity ends at 42, and a probe
lifted into air falls to nothing at once, which no water does.
The thresholds are local choices for a stirred vessel, as the manual intends.
"""

from daemon.mixing.probe.quality.company import contradicted
from daemon.mixing.probe.quality.flags import CALIBRATING, FURTHER, TESTS, in_words, worst
from daemon.mixing.probe.quality.immersion import forget_wetness_after
from daemon.mixing.probe.quality.judge import Judged, judge
from daemon.mixing.probe.quality.limits import SCALE_ENDS, QualityLimits
from daemon.mixing.probe.quality.quality_state import QualityState
from daemon.mixing.probe.quality.water_context import Neighbour, WaterContext

__all__ = [
    "CALIBRATING",
    "FURTHER",
    "SCALE_ENDS",
    "TESTS",
    "Judged",
    "Neighbour",
    "QualityLimits",
    "QualityState",
    "WaterContext",
    "contradicted",
    "forget_wetness_after",
    "in_words",
    "judge",
    "worst",
]
