"""Inputs by hypothesis: any bytes, and sound messages with something done to them."""

from __future__ import annotations

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from tests.campaigns.parsers.target import Target


def messages(target: Target) -> st.SearchStrategy[bytes]:
    """Bytes for a target."""
    sound = st.sampled_from(target.seeds)
    return st.one_of(
        st.binary(max_size=80),
        st.lists(sound, min_size=1, max_size=3).map(b"".join),
        st.builds(_changed, sound, st.lists(_CHANGES, min_size=1, max_size=4)),
    )


_CHANGES = st.tuples(
    st.sampled_from(["flip", "set", "cut", "drop", "insert", "double"]),
    st.integers(0, 200),
    st.integers(0, 255),
)


def _changed(message: bytes, changes: list[tuple[str, int, int]]) -> bytes:
    data = bytearray(message)
    for what, where, value in changes:
        at = where % (len(data) + 1)
        if what == "insert":
            data.insert(at, value)
        elif what == "cut":
            del data[at:]
        elif what == "double":
            data += data[at:]
        elif at < len(data):
            if what == "flip":
                data[at] ^= 1 << value % 8
            elif what == "set":
                data[at] = value
            else:
                del data[at]
    return bytes(data[:400])


def play(target: Target, count: int, number: int) -> tuple[int, int]:
    """Give a target so many inputs; return how many it was given and of how many a value came.

    Args:
        target: The parser.
        count: Of inputs, at the least those that hypothesis finds different.
        number: Seed.

    Raises:
        AssertionError: A rule of the target is broken, or an exception escapes.
    """
    tried = accepted = 0

    @seed(number)
    @settings(
        max_examples=count,
        deadline=None,
        database=None,
        phases=(Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
    )
    @given(messages(target))
    def read(data: bytes) -> None:
        nonlocal tried, accepted
        tried += 1
        accepted += target.read(data)

    read()
    return tried, accepted
