"""What followers are sent: all of it first, then what changed, and a beat that can be missed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from threading import Event as Signal

from hypothesis import given
from hypothesis import strategies as st

from daemon.page.serving.live import Bulletin, LiveStreams, Stream
from daemon.page.view import StationView
from tests.page.page_parts import station_view

NAMES = st.sampled_from(["mix-1.number", "mix-1.phase", "alarms", "foot"])
TEXTS = st.sampled_from(["", "<p>33.9</p>", "<p>34.1</p>", "é\n\u2028&lt;", "x" * 50])


@dataclass
class Composer:
    """Parts that a test sets."""

    parts: Mapping[str, str] = field(default_factory=dict)

    def compose(self, _: StationView) -> Mapping[str, str]:
        """Give them."""
        return self.parts


def events(data: bytes) -> list[tuple[str, object]]:
    """Each event of a stream: its name and its data."""
    found = []
    for each in data.decode().split("\n\n")[:-1]:
        head, _, rest = each.partition("\n")
        found.append((head.removeprefix("event: "), json.loads(rest.removeprefix("data: "))))
    return found


def streams(composer: Composer) -> LiveStreams:
    """Two streams, of which both are followed."""
    live = LiveStreams(
        {"now": Stream(composer.compose), "beat": Stream(lambda _: {})}, station_view
    )
    live.follow({"now", "beat"})
    return live


def composed(live: LiveStreams, stream: str = "now") -> Bulletin:
    """What the next composing brings for a stream."""
    assert live.compose()
    (found,) = [each for each in live.take() if each.stream == stream]
    return found


def test_who_begins_is_sent_everything_and_a_beat() -> None:
    """So that a page is live within one composing, also where nothing has changed."""
    live = streams(Composer({"alarms": "<p>none</p>"}))
    composed(live)
    second = composed(live)

    assert [("parts", {"alarms": "<p>none</p>"})] == events(second.whole)[:1]
    assert ["parts", "beat"] == [name for name, _ in events(second.whole)]
    assert [] == [name for name, _ in events(second.news) if name == "parts"]


def test_every_second_time_a_beat_comes_with_when_and_how_far() -> None:
    """Also to who follows nothing else; it tells charts how far the journal reaches."""
    live = streams(Composer())
    beats = [events(composed(live, "beat").news) for _ in range(4)]

    assert [0, 1, 0, 1] == [
        sum(name == "beat" for name, _ in each) for each in [beats[0], *beats[1:]]
    ]
    assert {"time": "2031-05-04T09:00:00.000+00:00", "seq": 4711} == beats[1][-1][1]


@given(st.lists(st.dictionaries(NAMES, TEXTS), min_size=1, max_size=8), st.data())
def test_what_is_sent_adds_up_to_what_there_is(
    steps: list[dict[str, str]], data: st.DataObject
) -> None:
    """Whenever a follower begins, it ends with the parts that there are; those gone are empty."""
    composer = Composer()
    live = streams(composer)
    begins = data.draw(st.integers(0, len(steps) - 1))
    shown: dict[str, object] = {}
    for number, parts in enumerate(steps):
        composer.parts = parts
        bulletin = composed(live)
        if number < begins:
            continue
        for name, found in events(bulletin.whole if number == begins else bulletin.news):
            if name == "parts" and isinstance(found, dict):
                shown |= found

    assert {**dict.fromkeys(shown, ""), **steps[-1]} == shown


def test_nothing_is_read_while_nobody_follows() -> None:
    """An open page costs something; none costs nothing."""

    def never() -> StationView:
        raise AssertionError("it was read")

    live = LiveStreams({"beat": Stream(lambda _: {})}, never)

    assert not live.compose()
    assert [] == live.take()


def test_who_comes_after_all_have_left_is_sent_everything() -> None:
    """What was composed for others long ago is not taken for what it has."""
    live = streams(Composer({"foot": "old"}))
    composed(live)
    live.follow(())
    live.compose()
    live.follow({"now"})

    assert ("parts", {"foot": "old"}) in events(composed(live).news)


def test_a_fault_in_one_composing_sends_no_beat_and_ends_nothing() -> None:
    """The pages then say themselves that they are not live, and go on with the next."""
    stop, notified = Signal(), list[int]()
    rounds = iter([RuntimeError("a fault"), None])

    def look() -> StationView:
        fault = next(rounds, None)
        if fault is not None:
            raise fault
        stop.set()
        return station_view()

    live = LiveStreams({"beat": Stream(lambda _: {})}, look, tick_s=0.0)
    live.follow({"beat"})
    live.run(stop, lambda: notified.append(1))

    assert ([1], 1) == (notified, len(live.take()))


def test_a_composing_that_hangs_is_noticed() -> None:
    """By how long it has lasted; between two of them nothing does."""
    now = [100.0]
    stop, found = Signal(), list[float]()

    def look() -> StationView:
        now[0] += 75.0
        found.append(live.late_s(now[0]))
        stop.set()
        return station_view()

    live = LiveStreams({"beat": Stream(lambda _: {})}, look, 0.0, lambda: now[0])
    live.follow({"beat"})
    live.run(stop, lambda: None)

    assert ([75.0], 0.0) == (found, live.late_s(now[0] + 500.0))


def test_a_plain_stream_is_one_json_text_as_it_is() -> None:
    """For programs, which have no use for parts of a page."""
    live = LiveStreams(
        {"station": Stream(lambda _: {"station": '{"time":"x"}'}, "station", plain=True)},
        station_view,
    )
    live.follow({"station"})

    assert ("station", {"time": "x"}) == events(composed(live, "station").whole)[0]
