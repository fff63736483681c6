"""A late answer is never taken for that to another request, whatever is asked and lost."""

from __future__ import annotations

from dataclasses import dataclass, field

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.wire.modbus import ModbusError, ReadRequest, Refusal, Registers, RtuAnswer
from daemon.wire.modbus_late import CHECK_EVERY_S, LATE_S, MUTE_S, LateAnswers
from simulators.modbus import with_crc

FIRST, SECOND = ReadRequest(7, 3, 0, 2), ReadRequest(7, 3, 10, 2)
OTHER_SHAPE = ReadRequest(7, 3, 20, 4)
OTHER_UNIT = ReadRequest(8, 3, 0, 2)
TIMEOUT_S = 0.5


def values(*numbers: int) -> Registers:
    """An answer with these."""
    return Registers(numbers)


def test_the_first_request_needs_nothing_before_it() -> None:
    """Nor does one that follows its like, answered."""
    late = LateAnswers()
    assert late.check_before(FIRST, 0.0) is None
    late.sent(FIRST, 0.0)
    late.answered(FIRST, values(1, 2), 0.0)

    assert late.check_before(FIRST, 2.0) is None
    assert frozenset() == late.late(FIRST, 2.0)


def test_a_request_that_was_not_answered_is_asked_again_after_a_check() -> None:
    """The check looks otherwise, is another one each time it fails, and is forgotten at last."""
    late = LateAnswers()
    late.sent(FIRST, 0.0)
    checks = []
    for t_s in (2.0, 4.0, 6.0):
        check = late.check_before(FIRST, t_s)
        assert check is not None
        checks.append(check)
        late.sent(check, t_s, check=True)
    last = checks[-1]
    late.answered(last, Refusal(last, 2) if last.function == 3 else values(1), 6.0)

    assert 3 == len({each.shape for each in checks})
    assert FIRST.shape not in {each.shape for each in checks}
    assert late.check_before(FIRST, 6.1) is None


def test_a_unit_that_is_mute_to_checks_is_asked_again_at_last() -> None:
    """After `LATE_S` nothing is on its way any more."""
    late = LateAnswers()
    late.sent(FIRST, 0.0)

    assert late.check_before(FIRST, LATE_S) is not None
    assert late.check_before(FIRST, LATE_S + 0.1) is None


def test_another_request_of_the_same_shape_has_a_check_between() -> None:
    """A unit that is one behind would swap the two."""
    late = LateAnswers()
    late.sent(FIRST, 0.0)
    late.answered(FIRST, values(1, 2), 0.0)
    check = late.check_before(SECOND, 0.1)
    assert check is not None
    late.sent(check, 0.1, check=True)
    late.answered(check, values(3), 0.1)

    assert late.check_before(SECOND, 0.2) is None
    assert late.check_before(OTHER_SHAPE, 0.2) is None


def test_a_unit_is_checked_once_a_minute() -> None:
    """One that repeats its last answer is found out so; one mute to checks is asked seldom."""
    late = LateAnswers()
    for t_s in (0.0, CHECK_EVERY_S - 0.1):
        assert late.check_before(FIRST, t_s) is None
        late.sent(FIRST, t_s)
        late.answered(FIRST, values(1, 2), t_s)
    check = late.check_before(FIRST, CHECK_EVERY_S)
    assert check is not None
    late.sent(check, CHECK_EVERY_S, check=True)

    # It was mute to it: only the reading is lost that was to follow.
    assert late.check_before(FIRST, CHECK_EVERY_S + 2.0) is None
    assert late.check_before(FIRST, CHECK_EVERY_S + MUTE_S - 0.1) is None
    again_s = CHECK_EVERY_S + MUTE_S
    check = late.check_before(FIRST, again_s)
    assert check is not None
    late.sent(check, again_s, check=True)
    late.answered(check, values(1), again_s)

    assert late.check_before(FIRST, again_s + CHECK_EVERY_S - 0.1) is None
    assert late.check_before(FIRST, again_s + CHECK_EVERY_S) is not None


def test_other_units_and_other_shapes_need_no_check() -> None:
    """What they answer can be told apart, and is passed over."""
    late = LateAnswers()
    late.sent(FIRST, 0.0)

    assert late.check_before(OTHER_UNIT, 0.1) is None
    assert late.check_before(OTHER_SHAPE, 0.1) is None
    assert frozenset({FIRST.shape}) == late.late(OTHER_UNIT, 0.1)
    assert late.late_answer(with_crc(bytes((7, 3, 4, 0, 1, 0, 2))), 0.1)
    assert not late.late_answer(with_crc(bytes((7, 3, 2, 0, 1))), 0.1)


@dataclass
class Slow:
    """A unit that answers each request in turn, after as long as it likes.

    Attributes:
        coming: Frames on their way, and when they arrive, s.
    """

    coming: list[tuple[float, bytes]] = field(default_factory=list)

    def ask(self, request: ReadRequest, t_s: float, takes_s: float, *, refuses: bool) -> None:
        """Take a request; its registers hold their own numbers."""
        at_s = max([t_s + takes_s, *(each[0] for each in self.coming)])
        numbers = range(request.first, request.first + request.count)
        pdu = bytes((request.function, 2 * request.count))
        pdu += b"".join(each.to_bytes(2, "big") for each in numbers)
        refused = bytes((request.function | 0x80, 2))
        self.coming.append((at_s, with_crc(bytes((request.unit,)) + (refused if refuses else pdu))))

    def arrived(self, until_s: float) -> list[bytes]:
        """Take what has come."""
        due = [words for at_s, words in self.coming if at_s <= until_s]
        self.coming = [each for each in self.coming if each[0] > until_s]
        return due


def ask(
    late: LateAnswers,
    unit: Slow,
    request: ReadRequest,
    t_s: float,
    takes_s: float,
    *,
    refuses: bool,
) -> tuple[float, Registers | Refusal | None]:
    """One request as the link sends it: when it is over, and what came."""
    unit.arrived(t_s)
    taking = RtuAnswer(request, late.late(request, t_s))
    late.sent(request, t_s)
    unit.ask(request, t_s, takes_s, refuses=refuses)
    for frame in unit.arrived(t_s + TIMEOUT_S):
        try:
            answer = taking.feed(frame)
        except ModbusError:
            return t_s + TIMEOUT_S, None
        if answer is not None:
            late.answered(request, answer, t_s)
            return t_s + TIMEOUT_S, answer
    return t_s + TIMEOUT_S, None


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([FIRST, SECOND, OTHER_SHAPE, ReadRequest(7, 4, 0, 1)]),
            st.floats(0.0, 2.0),
            st.booleans(),
            st.floats(0.0, 2.0),
        ),
        max_size=14,
    )
)
def test_no_value_comes_from_other_registers_than_were_asked_for(
    story: list[tuple[ReadRequest, float, bool, float]],
) -> None:
    """However slowly a unit answers that answers in turn, and whatever it refuses."""
    late, unit, t_s = LateAnswers(), Slow(), 0.0
    for request, takes_s, refuses, pause_s in story:
        asked = late.check_before(request, t_s) or request
        t_s, answer = ask(late, unit, asked, t_s, takes_s, refuses=refuses)
        # As an exchange does: what must be checked is seen again before each request of it.
        while answer is not None and asked != request:
            asked = late.check_before(request, t_s) or request
            t_s, answer = ask(late, unit, asked, t_s, takes_s, refuses=refuses)
        expected = tuple(range(request.first, request.first + request.count))

        of_the_check = asked != request
        assert of_the_check or not isinstance(answer, Registers) or answer.values == expected
        t_s += pause_s
