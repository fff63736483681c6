"""What a database refuses of a batch is found exactly, whatever it is and however it is said."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config import Influx
from daemon.journal.reader import Stored
from daemon.publishing.influx.database import RefusedError
from daemon.publishing.influx.publisher import InfluxSink
from daemon.publishing.sink import SinkError
from tests.parts.numbered import reading
from tests.services.influx_parts import section
from tests.services.mqtt_parts import STATION


class Picky:
    """A database that refuses some, and may count them and take the others of the request."""

    where = "the database"

    def __init__(self, bad: set[int], *, lasting: bool, counts: bool) -> None:
        self.bad, self.lasting, self.counts = bad, lasting, counts
        self.taken: set[int] = set()
        self.requests = 0

    def write(self, lines: Sequence[str]) -> None:
        """Take what it takes; without a count, nothing of a request in which some is bad."""
        self.requests += 1
        seqs = {int(line.partition("seq=")[2].partition("i")[0]) for line in lines}
        bad = seqs & self.bad
        if not bad or self.counts:
            self.taken |= seqs - bad
        if bad:
            said = f"partial write: no dropped={len(bad)}" if self.counts else "no"
            raise RefusedError(said, lasting=self.lasting)

    def ping(self) -> None:
        """It is there."""

    def renewed(self) -> bool:
        """It never went away."""
        return False

    def close(self) -> None:
        """Nothing to let go of."""


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Influx:
    """A section with a token; nobody is asked."""
    return section("http://127.0.0.1:1", tmp_path_factory.mktemp("token"))


@given(
    many=st.integers(1, 60),
    bad=st.sets(st.integers(1, 60)),
    lasting=st.booleans(),
    counts=st.booleans(),
)
def test_exactly_what_is_refused_is_left_out(
    settings: Influx, *, many: int, bad: set[int], lasting: bool, counts: bool
) -> None:
    """All others are taken; where most are refused and that can be mended, none is left out."""
    picky = Picky(bad, lasting=lasting, counts=counts)
    entries = [Stored(number, reading(number)) for number in range(1, many + 1)]
    refused = tuple(sorted(bad & set(range(1, many + 1))))
    sink = InfluxSink(settings, STATION, open_=lambda *_: picky)
    try:
        found = sink.deliver(entries)
    except SinkError:
        assert not lasting
        assert len(refused) > many - len(refused)
    else:
        assert refused == (() if found is None else found.seqs)
    assert picky.taken == set(range(1, many + 1)) - bad
    assert picky.requests <= 1 + 2 * len(refused) * (1 + math.ceil(math.log2(many)))
