"""The batches of `messages`, each with the messages that it must bring, and with none else."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

from daemon.entries import Body, Phase
from daemon.mixing.events import AlarmChanged, PhaseChanged, StartDue
from daemon.mixing.station.last_reading import iso
from tests.campaigns.messages_scene import Scene


def phase(to: Phase, number: int = 0, came_from: Phase = Phase.VERIFYING) -> PhaseChanged:
    """A change of phase, as the station writes it; released water may be used for a month."""
    judged = to in (Phase.READY, Phase.OFF_TARGET)
    use_by = (datetime.now(UTC) + timedelta(days=3650)).isoformat()
    return PhaseChanged(
        came_from,
        to,
        f"34.02 ± 0.14 ppt, number {number}" if number else "",
        salinity=34.02 if judged else None,
        salinity_u=0.07 if judged else None,
        use_by=use_by if to is Phase.READY else None,
    )


def alarm(name: str, number: int = 0, priority: str = "medium") -> AlarmChanged:
    """An alarm that is raised with its number, or has cleared where it has none."""
    state = "unacknowledged" if number else "normal"
    why = f"add 12 g; then wait, number {number}" if number else "the condition is gone"
    return AlarmChanged(name, state=state, priority=priority, why=why)


def mixed(scene: Scene) -> str:
    """A batch that was mixed and is steady."""
    batch = scene.begin_batch()
    scene.write(batch, phase(Phase.DISSOLVING), phase(Phase.VERIFYING))
    return batch


def release(scene: Scene, batch: str, *more: Body) -> None:
    """Release a batch, and wait until everybody knows."""
    number = scene.next_number("released")
    scene.write(batch, phase(Phase.READY, number), *more)
    scene.wait_for(number)


def end(scene: Scene, batch: str, *more: Body) -> None:
    """End a batch: it was used."""
    scene.write(batch, phase(Phase.IDLE), *more)


def good_batch(scene: Scene) -> None:
    """Due, begun, released, ageing, used."""
    due, ageing = scene.next_number("due"), scene.next_number("ageing")
    now = scene.clock.now()
    day_s = 86_400.0
    scene.write("", StartDue("begin", iso(now, 90 * day_s), iso(now, 91 * day_s), float(due)))
    scene.wait_for(due)
    batch = mixed(scene)
    release(scene, batch)
    scene.write(batch, alarm("batch-ageing", ageing, "low"))
    scene.wait_for(ageing)
    end(scene, batch, alarm("batch-ageing", priority="low"))


def off_target(scene: Scene) -> None:
    """Steady outside the limits, corrected, released."""
    batch, number = mixed(scene), scene.next_number("off-target")
    why = phase(Phase.OFF_TARGET, scene.next_number())
    scene.write(batch, why, alarm("batch-off-target", number))
    scene.wait_for(number)
    scene.write(batch, phase(Phase.DISSOLVING), alarm("batch-off-target"))
    scene.write(batch, phase(Phase.VERIFYING))
    release(scene, batch)
    end(scene, batch)


def undecided(scene: Scene) -> None:
    """Undecided for long, then released."""
    batch, number = mixed(scene), scene.next_number("undecided")
    scene.write(batch, alarm("batch-undecided", number))
    scene.wait_for(number)
    release(scene, batch, alarm("batch-undecided"))
    end(scene, batch)


def suspended(scene: Scene) -> None:
    """Released, in doubt because the probe was lifted, and released again after the answer."""
    batch = mixed(scene)
    release(scene, batch)
    number = scene.next_number("suspended")
    scene.write(batch, phase(Phase.VERIFYING), alarm("batch-suspended", number))
    scene.wait_for(number)
    again = scene.next_number("released again")
    scene.write(batch, phase(Phase.READY, again), alarm("batch-suspended"))
    scene.wait_for(again)
    end(scene, batch)


def withdrawn(scene: Scene) -> None:
    """Released, and withdrawn with nothing but the phase to say so."""
    batch = mixed(scene)
    release(scene, batch)
    number = scene.next_number("withdrawn")
    scene.write(batch, phase(Phase.VERIFYING, number))
    scene.wait_for(number)
    end(scene, batch)


def flapping(scene: Scene) -> None:
    """Released all along, but for moments: no message of the second release, none of the doubt."""
    batch = mixed(scene)
    release(scene, batch)
    numbers = [scene.next_number() for _ in range(4)]
    scene.forbidden |= {*numbers}
    for first, second in (numbers[:2], numbers[2:]):
        scene.write(batch, phase(Phase.VERIFYING, first), phase(Phase.READY, second))
        time.sleep(scene.rng.uniform(0.0, 1.0))
    end(scene, batch)


def withdrawn_unsent(scene: Scene) -> None:
    """Released and withdrawn in one moment: nobody may be sent either."""
    batch, numbers = mixed(scene), [scene.next_number() for _ in range(2)]
    scene.forbidden |= {*numbers}
    scene.write(batch, phase(Phase.READY, numbers[0]), phase(Phase.VERIFYING, numbers[1]))
    time.sleep(scene.rng.uniform(0.0, 3.0))
    end(scene, batch)


def fault(scene: Scene) -> None:
    """An alarm that is no message of a kind."""
    number = scene.next_number("fault")
    scene.write("", alarm("probe-fault", number))
    scene.wait_for(number)
    scene.write("", alarm("probe-fault"))


STORIES = (
    good_batch,
    off_target,
    undecided,
    suspended,
    withdrawn,
    flapping,
    withdrawn_unsent,
    fault,
)
