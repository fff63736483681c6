"""What the broker retains: published where it changed, withdrawn only after hubs were told."""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.entries import Event, Kind
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot
from daemon.publishing.mqtt.retained import RetainedState
from tests.parts.events import event
from tests.parts.snapshots import a_snapshot

BELOW = "brinewright/wing"
LONG_AFTER_BOOT_S = 5000.0


@dataclass
class Present:
    """A journal's present state, for a test to change."""

    reservoirs: dict[str, ReservoirSnapshot] = field(default_factory=dict)
    events: list[tuple[int, Event]] = field(default_factory=list)
    former: list[tuple[str, str]] = field(default_factory=list)

    def identity(self) -> str:
        """The same journal always."""
        return "one"

    def snapshots(self) -> dict[str, ReservoirSnapshot]:
        """Of each reservoir."""
        return dict(self.reservoirs)

    def station_snapshot(self) -> StationSnapshot | None:
        """None: the station has said nothing of itself."""
        return None

    def alarms(self, since_seq: int = 0) -> list[tuple[int, Event]]:
        """Of each alarm."""
        return [each for each in self.events if each[0] > since_seq]

    def former_alarms(self) -> list[tuple[str, str]]:
        """Of alarms that had another name."""
        return self.former


def test_a_reservoir_that_is_gone_is_withdrawn_eight_seconds_after_the_first_look() -> None:
    """Empty and retained, and not before: hubs must hear first that its entities are gone."""
    present = Present({"mix-1": a_snapshot(), "mix-9": a_snapshot()})
    retained = RetainedState("wing", present, ["mix-1"])

    first = retained.due(LONG_AFTER_BOOT_S)
    early = retained.due(LONG_AFTER_BOOT_S + 7.9)
    late = retained.due(LONG_AFTER_BOOT_S + 8.5)

    assert [f"{BELOW}/mix-1/state"] == [each.topic for each in first]
    assert [] == early
    assert [(f"{BELOW}/mix-9/state", b"", True)] == [
        (each.topic, each.payload, each.retain) for each in late
    ]


def test_an_alarm_that_was_renamed_is_withdrawn_under_its_former_name() -> None:
    """So that no subscriber takes it for one that is still raised."""
    facts = {"name": "reading-overdue", "what": "raised", "state": "unacknowledged"}
    present = Present(
        events=[(1, event(Kind.ALARM, {**facts}))], former=[("mix-1", "reading-stale")]
    )
    retained = RetainedState("wing", present, ["mix-1"])

    first = retained.due(LONG_AFTER_BOOT_S)
    late = retained.due(LONG_AFTER_BOOT_S + 9.0)

    assert [f"{BELOW}/mix-1/alarm/reading-overdue"] == [each.topic for each in first]
    assert [(f"{BELOW}/mix-1/alarm/reading-stale", b"", True)] == [
        (each.topic, each.payload, each.retain) for each in late
    ]


def test_what_did_not_change_is_published_once() -> None:
    """A look twice a second at the most."""
    present = Present({"mix-1": a_snapshot(phase="blank")})
    retained = RetainedState("wing", present, ["mix-1"])
    counts = [len(retained.due(LONG_AFTER_BOOT_S + at_s)) for at_s in (0.0, 0.1, 0.6, 1.2)]
    present.reservoirs["mix-1"] = a_snapshot(phase="dissolving")
    counts += [len(retained.due(LONG_AFTER_BOOT_S + at_s)) for at_s in (1.3, 1.8, 2.4)]

    assert [1, 0, 0, 0, 0, 1, 0] == counts
