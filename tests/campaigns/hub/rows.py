"""What a still reservoir costs the hub's recorder: rows in a day."""

from __future__ import annotations

import sqlite3
import time

from tests.campaigns.hub.bench import STILL, in_water
from tests.campaigns.hub.scene import PROBE, Scene, wing

MOST_A_DAY = 5000
DAY_MIN = 24 * 60.0
SETTLE_MIN = 2.0
"""What happens at the beginning of a batch is not what a still reservoir costs."""
COMMIT_S = 6.0
"""The recorder writes every five seconds."""
EACH_SECOND = PROBE.replace("period_s = 10", "period_s = 2").replace(
    "timeout_s = 10", "timeout_s = 1"
)
COUNT = """
    SELECT meta.entity_id, count(*) FROM states
    JOIN states_meta AS meta ON meta.metadata_id = states.metadata_id
    WHERE meta.entity_id LIKE ? AND states.last_updated_ts BETWEEN ? AND ?
    GROUP BY 1 ORDER BY 2 DESC
"""


def rows(scene: Scene, minutes: float) -> str:
    """Water of 34 ppt stands still and is read every two seconds, in real time.

    Args:
        scene: What the step needs.
        minutes: How long rows are counted; a day is worked out from them.
    """
    one = wing(scene.folder / "still", scene.rig.broker.port, "still", ("mix-1",), 1.0, EACH_SECOND)
    try:
        with in_water(one.station.port(), 1.0, seed=5, story=STILL) as bench:
            bench.held.clear()
            one.start()
            scene.rig.hub.wait_until(
                lambda: scene.rig.hub.states().get("sensor.still_mix_1_salinity"), 60, "the entity"
            )
            time.sleep(60.0 * SETTLE_MIN)
            since = time.time()
            time.sleep(60.0 * minutes)
            until = time.time()
            time.sleep(COMMIT_S)
            one.stop()
    finally:
        one.kill()
    with sqlite3.connect(
        f"file:{scene.rig.hub.folder}/home-assistant_v2.db?mode=ro", uri=True
    ) as db:
        found = db.execute(COUNT, ("%.still_mix_1_%", since, until)).fetchall()
    total = sum(count for _, count in found)
    a_day = round(total * DAY_MIN / minutes)
    most = ", ".join(f"{name.partition('.')[2]} {count}" for name, count in found[:6])
    assert a_day <= MOST_A_DAY, f"{a_day} rows a day: {most}"
    return f"{total} rows in {minutes:g} min, {a_day} a day; {most}"
