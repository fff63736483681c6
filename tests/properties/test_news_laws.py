"""Laws of releases: what a receiver was last sent of the water is true, and was sent once."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias

from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.entries import Phase
from daemon.publishing.notify.news import DueStart, Released, Withdrawn
from daemon.publishing.notify.notice import NoticeState
from daemon.publishing.notify.policy import Notification, next_notification
from daemon.publishing.notify.water_news import CONTRADICTING, OPEN_PHASES, mark_tried
from tests.parts.notices import ACTIVE, CLEARED, MEDIUM, Recipient

OF_OPEN_PHASES = ("batch-suspended", "batch-off-target")
"""Alarms that are raised only while the water is not released, and clear when it is."""
ALARMS = (*OF_OPEN_PHASES, "salinity-drifting", "probe-fault")
Step: TypeAlias = Phase | tuple[str, NoticeState] | str | int
"""A phase, an alarm, minutes that go by, or what becomes of receiver and publishing."""

STEPS = st.lists(
    st.one_of(
        st.sampled_from([Phase.READY, Phase.READY, Phase.VERIFYING, Phase.DISSOLVING, Phase.IDLE]),
        st.tuples(st.sampled_from(ALARMS), st.sampled_from([ACTIVE, CLEARED])),
        st.sampled_from(["away", "back", "die sending", "due"]),
        st.integers(1, 400),
    ),
    max_size=30,
)


@dataclass
class Sent:
    """What a receiver was sent, beside what was true then.

    Attributes:
        recipient: The receiver.
        phase: Of the water now.
        batch: Number of the batch.
        deaths: How often publishing died after the receiver had accepted something.
        words: What it was sent of the water, and what was true in that moment, in order.
    """

    recipient: Recipient = field(default_factory=Recipient)
    phase: Phase = Phase.IDLE
    batch: int = 1
    deaths: int = 0
    words: list[tuple[datetime, Notification, Phase, int]] = field(default_factory=list)

    def do(self, step: Step) -> None:
        """Do one step; the recipient is sent what is due after it."""
        if isinstance(step, Phase):
            self.batch += step is Phase.IDLE
            self.phase = step
            self.recipient.water(step, f"lot-{self.batch}", use_within_h=24.0 * 30)
            if step not in OPEN_PHASES:
                for name in OF_OPEN_PHASES:
                    self.recipient.change(name, CLEARED, MEDIUM)
        elif isinstance(step, tuple):
            if step[0] not in OF_OPEN_PHASES or self.phase in OPEN_PHASES:
                self.recipient.change(step[0], step[1], MEDIUM)
        elif isinstance(step, int):
            for _ in range(step):
                self.recipient.wait(1)
                self._note()
        elif step == "due":
            self.recipient.due(start_in_min=3000, due_in_min=4000)
        elif step == "die sending":
            self._die_sending()
        else:
            self.recipient.reachable = step == "back"
            self.recipient.send()
        self._note()

    def _die_sending(self) -> None:
        """Have the receiver accept what is due, and publishing die before it notes that."""
        recipient = self.recipient
        found = next_notification(recipient.queue, recipient.policy, recipient.now)
        if found is None:
            return
        for news in found.news:
            mark_tried(recipient.queue.news, news)
        recipient.received.append((recipient.now, found))
        self.deaths += 1

    def _note(self) -> None:
        for at, message in self.recipient.received[len(self.words) :]:
            self.words.append((at, message, self.phase, self.batch))


def live(steps: list[Step]) -> Sent:
    """Live through it, and then two days in which nothing happens."""
    sent = Sent()
    for step in steps:
        sent.do(step)
    sent.do("back")
    sent.do(60 * 48)
    return sent


def last_word(sent: Sent) -> str:
    """What the receiver was last sent of whether the water may be used."""
    word = "nothing"
    for _, message, _, _ in sent.words:
        for item in message.items:
            if isinstance(item, Released | Withdrawn):
                word = "released" if isinstance(item, Released) else "withdrawn"
            elif not isinstance(item, DueStart) and item.notice.name in CONTRADICTING:
                cleared = item.notice.name == "salinity-drifting" and item.cleared
                word = word if cleared else "contradicted"
    return word


@settings(max_examples=80)
@given(steps=STEPS)
@example(steps=["away", Phase.READY, "die sending", Phase.VERIFYING, 30])
@example(steps=["away", Phase.READY, 3, Phase.VERIFYING, 3, Phase.READY, "die sending", "back"])
def test_a_release_is_sent_only_while_it_is_true(
    steps: list[Step],
) -> None:
    """The water is released in that moment, and it is that batch."""
    for _, message, phase, batch in live(steps).words:
        for item in message.news:
            if isinstance(item, Released):
                assert (Phase.READY, f"lot-{batch}") == (phase, item.change.batch)


@settings(max_examples=80)
@given(steps=STEPS)
@example(steps=["away", Phase.READY, "die sending", "die sending", "back", 5])
def test_each_news_is_sent_once_but_for_deaths(
    steps: list[Step],
) -> None:
    """A death after the acceptance repeats it; nothing else does."""
    sent = live(steps)
    counts: Counter[tuple[str, int]] = Counter()
    for _, message, _, _ in sent.words:
        for item in message.news:
            seq = item.seq if isinstance(item, DueStart) else item.change.seq
            counts[type(item).__name__, seq] += 1

    assert sum(count - 1 for count in counts.values()) <= 2 * sent.deaths


@settings(max_examples=80)
@given(steps=STEPS)
@example(steps=[Phase.READY, ("batch-suspended", ACTIVE), Phase.VERIFYING, Phase.READY])
@example(steps=["away", Phase.READY, "die sending", Phase.VERIFYING, 5, "back", 30])
def test_the_last_word_is_true(steps: list[Step]) -> None:
    """Whatever came between: who may hold a release that is over holds its end, too."""
    sent = live(steps)
    known = sent.recipient.queue.news.waters.get("mix-1")
    word = last_word(sent)
    if sent.phase is Phase.READY and known is not None and not known.drifting:
        assert word == "released"
    elif sent.phase in OPEN_PHASES:
        assert word != "released"


@settings(max_examples=80)
@given(steps=STEPS)
def test_the_night_is_quiet(steps: list[Step]) -> None:
    """In quiet hours no release and no due start goes, and in the end none waits."""
    sent = live(steps)
    policy = sent.recipient.policy

    for at, message, _, _ in sent.words:
        if policy.is_quiet(at):
            assert all(isinstance(item, Withdrawn) for item in message.news)
    assert next_notification(sent.recipient.queue, policy, sent.recipient.now) is None
