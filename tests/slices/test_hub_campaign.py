"""The campaign before a real hub: what of it needs no hub."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import yaml  # type: ignore[import-untyped]

from daemon.publishing.mqtt.hub.components import components
from daemon.publishing.mqtt.hub.fired_events import BATCH_EVENTS
from simulators.scenarios import plain_batch
from simulators.speakers import StageSpeaker
from simulators.stage import Stage
from tests.campaigns.hub.__main__ import run, table
from tests.campaigns.hub.bench import AIR, STILL, Bench
from tests.campaigns.hub.scene import GUIDE, Scene, load_rig
from tests.parts.hub_states import EVERYTHING

STEPS = Path(__file__).parents[1] / "campaigns" / "hub" / "steps.py"
NAMED = re.compile(
    r'scene\.(?:press|enter|state|wait_state|wait_number|entity)\(\s*"([^"]+)"'
    r'|_attributes\(scene, "([^"]+)"'
)


def bench_of(story: Any = None) -> Bench:  # noqa: ANN401 - a scenario
    """A probe at the beginning of a story."""
    return Bench(StageSpeaker(Stage.setting(story or plain_batch(), seed=1)))


def test_every_entity_that_a_step_looks_at_is_announced() -> None:
    """Else the step would wait in vain for what can never come."""
    named = {first or second for first, second in NAMED.findall(STEPS.read_text())}
    announced = {
        str(each["name"]) for each in components(EVERYTHING).values() if isinstance(each, dict)
    }

    assert len(named) > 15
    assert set() == named - announced


def test_water_that_is_held_is_asked_and_does_not_change() -> None:
    """Its story goes on from there once it is let go."""
    bench = bench_of()
    bench.held.set()
    before = [bench.respond(b"READ?\n", at_s) for at_s in (0.0, 600.0, 1200.0)]
    held_s, due_s = bench.speaker.stage.t_s, bench.next_s()
    bench.held.clear()
    bench.advance(1260.0)

    assert all(reply.endswith(b"\r") and float(reply.split(b",")[0]) < 50.0 for reply in before)
    assert (0.0, None) == (held_s, due_s)
    assert 60.0 == bench.speaker.stage.t_s


def test_a_probe_that_is_lifted_answers_from_the_air_and_a_pulled_one_is_gone() -> None:
    """And from the water again when it is back."""
    bench = bench_of(STILL)
    bench.lifted.set()
    assert AIR == bench.respond(b"READ?\n", 10.0)
    bench.lifted.clear()
    bench.pulled.set()

    assert 45_000.0 < float(bench.respond(b"READ?\n", 20.0).split(b",")[0]) < 55_000.0
    assert not bench.plugged


def test_the_automation_of_the_guide_waits_for_what_is_fired() -> None:
    """The campaign gives it to the hub, with another action in place of the notification."""
    (block,) = re.findall(r"```yaml\n(alias: .*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    automation = yaml.safe_load(block)
    (trigger,), (condition,) = automation["triggers"], automation["conditions"]

    assert "event.quarantine_wing_mix_1_batch_event" == trigger["entity_id"]
    assert [kind for kind in BATCH_EVENTS if f"'{kind}'" in condition["value_template"]] == [
        "released"
    ]
    assert "{{ trigger.to_state.attributes.batch }}" in automation["actions"][0]["data"]["message"]


class Quarrelsome:
    """A hub that complains of everything, and a rig that finds one fault."""

    def mark(self) -> int:
        """Where its log is."""
        return 0

    def complaints(self, since: int) -> list[SimpleNamespace]:
        """What it says."""
        return [SimpleNamespace(text=f"since {since}: no such unit")]


def test_a_step_holds_only_where_the_hub_is_content() -> None:
    """A complaint, a fault of the announcements and a step that fails are each told."""
    rig = SimpleNamespace(hub=Quarrelsome(), lint=lambda: ["no origin"])
    scene = Scene(rig, Path(), SimpleNamespace(), "wing")  # type: ignore[arg-type]

    def fails(_scene: Scene) -> str:
        raise AssertionError("nothing is shown")

    outcome = run(scene, fails)
    told = table([outcome])

    assert not outcome.good
    assert "| fails | 0.0 | NO | 1 | 1 | AssertionError: nothing is shown |" in told
    assert "fails: no origin" in told


def test_a_folder_without_the_rig_is_named(tmp_path: Path) -> None:
    """Nothing in the repository says where it is."""
    with pytest.raises(FileNotFoundError, match=re.escape(str(tmp_path / "hub.py"))):
        load_rig(tmp_path)
