"""How old the water of a batch is: from its first release, in whichever phase it is now.

Neither a drift, a correction, a second judgement nor a restart makes it younger.  Its age begins
again only where a person says that it was mixed and is to be verified again; it ends with the
batch.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState


def age_h(state: BatchState, t_s: float) -> float | None:
    """Return the hours since the water was first released; None before."""
    return None if state.age.released_s is None else (t_s - state.age.released_s) / 3600.0


def is_too_old(state: BatchState, t_s: float, settings: BatchSettings) -> bool:
    """Return whether the water is older than it may be used; False before its first release."""
    age = age_h(state, t_s)
    return age is not None and age > settings.use_within_h


def expired_sentence(state: BatchState, t_s: float, settings: BatchSettings) -> str:
    """Return how old the water is and what to do about it."""
    age = age_h(state, t_s)
    released = "released at a time unknown" if age is None else f"first released {age:.1f} h ago"
    return (
        f"{released}, use within {settings.use_within_h:g} h: mix it and confirm it to have it"
        " verified again, or discard it"
    )
