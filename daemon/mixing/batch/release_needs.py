"""What a release will still need once the water is steady, that does not come with time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.batch.ageing import is_too_old
from daemon.mixing.seawater.conformance import accept
from daemon.mixing.seawater.uncertainty import combine

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState


def release_needs(
    state: BatchState,
    final_salinity: float | None,
    final_u: float | None,
    t_s: float,
    settings: BatchSettings,
) -> str:
    """Return what release then needs, as a sentence without its full stop; empty for nothing.

    Args:
        state: Of the batch.
        final_salinity: Practical salinity that is forecast; None where none is.
        final_u: Its standard uncertainty, that of the probe included; None where unknown.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
    """
    needs, span, now_C = [], settings.temperature_range_C, state.temperature_C
    if final_salinity is not None and final_u is not None:
        low, high = settings.low_ppt, settings.high_ppt
        u = combine(final_u, settings.homogeneity_u)
        if accept(final_salinity, u, low, high, settings.release_confidence) == "outside":
            needs.append(f"a correction, heading for {final_salinity:.1f} ppt as it is")
    if span is not None and now_C is not None and not span[0] <= now_C <= span[1]:
        needs.append(f"water of {span[0]:g} to {span[1]:g} °C, which is at {now_C:.1f} °C")
    if is_too_old(state, t_s, settings) or (settings.needs_confirmation and not state.confirmed_by):
        needs.append("a confirmation")
    if settings.needs_second_reading and state.second is None:
        needs.append("a second reading")
    return f"release then needs {' and '.join(needs)}" if needs else ""
