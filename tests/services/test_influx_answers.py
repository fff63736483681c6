"""What each answer of a database means to the keeper, and that nothing is lost over it.

The other side is a stub that answers what it is told to: this shows what we make of
status codes, of silence and of nonsense, in the forms in which InfluxDB 2 documents them.
That a real server gives such answers is shown, where it can be, in test_influx_engine.py.
"""

from __future__ import annotations

import gzip
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.config import Influx
from daemon.journal.cursors import Refusal
from daemon.journal.reader import Stored
from daemon.publishing.influx.publisher import InfluxSink
from daemon.publishing.sink import SinkError
from tests.conftest import LOOPBACK, PATIENCE_S, find_free_port
from tests.parts.numbered import reading
from tests.services.influx_parts import TOKEN, Answer, Handler, Stub, section, stubbing
from tests.services.mqtt_parts import STATION, make_certificates

BATCH = [Stored(number, reading(number)) for number in range(1, 9)]
MakeSink = Callable[..., InfluxSink]


@pytest.fixture
def stub() -> Iterator[Stub]:
    """A server that answers as it is told."""
    with stubbing() as one:
        yield one


@pytest.fixture
def make_sink(tmp_path: Path) -> Iterator[MakeSink]:
    """A function that gives sinks for an address."""
    made: list[InfluxSink] = []

    def make(url: str, **more: object) -> InfluxSink:
        settings: Influx = section(url, tmp_path, **({"timeout_s": 1.0} | more))
        made.append(InfluxSink(settings, STATION))
        return made[-1]

    yield make
    for each in made:
        each.close()


def _v2(status: int, code: str, message: str) -> Answer:
    return lambda handler, _: handler.answer_v2(status, code, message)


def _trouble(sink: InfluxSink) -> SinkError:
    with pytest.raises(SinkError) as found:
        sink.deliver(BATCH)
    return found.value


def test_entries_come_as_lines_in_order_compressed_and_with_the_token(
    stub: Stub, make_sink: MakeSink
) -> None:
    """One request a batch."""
    assert make_sink(stub.url).deliver(BATCH) is None
    ((first, *_),) = stub.lines

    assert [f"seq={number}i" in line for number, line in enumerate(stub.lines[0], 1)] == [True] * 8
    assert first.startswith("reading,probe=ct-1,")
    assert f"Token {TOKEN}" == stub.headers[0]["Authorization"]
    assert "gzip" == stub.headers[0]["Content-Encoding"]


@pytest.mark.parametrize(
    "status, code, message, said",
    [
        (401, "unauthorized", "unauthorized access", "refuses the token (401): put one that may"),
        (403, "forbidden", "insufficient permissions", "refuses the token (403): put one that may"),
        (404, "not found", 'bucket "mixing" not found', "has no bucket 'mixing' in the org"),
        (404, "", "404 page not found", "no place for writes (404): check that influx.url is"),
        (405, "", "method not allowed", "answers 405"),
        (429, "too many requests", "quota", "takes no more for now (429): quota"),
        (500, "internal error", "disk full", "fails (500): disk full; look into its log"),
        (503, "unavailable", "starting", "fails (503): starting"),
        (302, "", "over there", "answers 302"),
    ],
)
def test_what_a_keeper_can_mend_is_a_sentence_and_loses_nothing(
    stub: Stub, make_sink: MakeSink, status: int, code: str, message: str, said: str
) -> None:
    """Each trouble has a sentence of its own; then all come again, and are taken."""
    stub.answers = [_v2(status, code, message)]
    sink = make_sink(stub.url)

    assert said in str(_trouble(sink))
    assert sink.deliver(BATCH) is None
    assert stub.lines[0] == stub.lines[1]


@pytest.mark.parametrize(
    "status, asked, wait_s",
    [
        (429, "17", 17.0),
        (503, "2", 2.0),
        (429, "Wed, 21 Oct 2031 07:28:00 GMT", 0.0),
        (429, "-5", 0.0),
        (429, "999999999", 3600.0),
        (503, "", 0.0),
    ],
)
def test_a_server_that_asks_for_a_pause_is_given_it(
    stub: Stub, make_sink: MakeSink, status: int, asked: str, wait_s: float
) -> None:
    """`Retry-After` in seconds is obeyed up to an hour; anything else there counts as nothing."""
    stub.answers = [
        lambda handler, _: handler.answer(status, b"later", **{"Retry-After": asked}),
    ]

    assert wait_s == _trouble(make_sink(stub.url)).wait_s


def _refusing(*bad: int, status: int = 400, message: str = "") -> Answer:
    """Answer as a server does that will not have certain entries."""

    def answer(handler: Handler, lines: list[str]) -> None:
        found = [seq for seq in bad if any(f"seq={seq}i" in line for line in lines)]
        if not found:
            handler.answer(204)
            return
        said = message or f"partial write: field type conflict dropped={len(found)}"
        handler.answer_v2(status, "invalid", said)

    return answer


@pytest.mark.parametrize("status", [400, 422])
@pytest.mark.parametrize("bad", [(1,), (8,), (3, 4), (1, 4, 6, 8)])
def test_what_is_refused_is_found_and_left_out_alone(
    stub: Stub, make_sink: MakeSink, bad: tuple[int, ...], status: int
) -> None:
    """The others are taken, each by itself; the refused are named with the server's reason."""
    stub.answers = [_refusing(*bad, status=status)] * 40
    refusal = make_sink(stub.url).deliver(BATCH)

    assert isinstance(refusal, Refusal)
    assert bad == refusal.seqs
    assert refusal.why.startswith("partial write: field type conflict dropped=")
    good = {number for number in range(1, 9) if number not in bad}
    taken = [
        lines for lines in stub.lines if not any(f"seq={each}i" in "".join(lines) for each in bad)
    ]
    assert len(good) == sum(len(lines) for lines in taken)


@pytest.mark.parametrize("bad", [(1, 2, 3, 4, 5), tuple(range(1, 9))])
def test_a_bucket_that_refuses_most_holds_everything_up(
    stub: Stub, make_sink: MakeSink, bad: tuple[int, ...]
) -> None:
    """Then it is not the entries' fault, a person can correct it, and no entry is left out."""
    stub.answers = [_refusing(*bad)] * 40
    said = str(_trouble(make_sink(stub.url)))

    assert f"refuses {len(bad)} of 8 entries: partial write: field type conflict" in said
    assert "a bucket of its own (influx.bucket)" in said


def test_one_entry_that_is_refused_waits_for_others_to_show_whose_fault_it_is(
    stub: Stub, make_sink: MakeSink
) -> None:
    """Alone it may be the server's; as soon as the next one is taken it is left out."""
    stub.answers = [_refusing(1)] * 40
    sink = make_sink(stub.url)
    with pytest.raises(SinkError, match="refuses 1 of 1 entries"):
        sink.deliver(BATCH[:1])

    assert Refusal((1,), "partial write: field type conflict dropped=1") == sink.deliver(BATCH[:2])


def test_what_a_bucket_no_longer_keeps_does_not_hold_it_up(stub: Stub, make_sink: MakeSink) -> None:
    """A month of backlog for a bucket that keeps a week: what is too old is left out, all of it."""
    said = "failure writing points: partial write: points beyond retention policy dropped=1"
    stub.answers = [_refusing(*range(1, 9), status=422, message=said)] * 40

    assert Refusal(tuple(range(1, 9)), said) == make_sink(stub.url).deliver(BATCH)


def test_what_is_too_large_at_once_goes_in_parts(stub: Stub, make_sink: MakeSink) -> None:
    """413 halves the batch; only an entry that is too large alone is left out."""

    def answer(handler: Handler, lines: list[str]) -> None:
        fits = len(lines) <= 2 and "seq=5i" not in "".join(lines)
        handler.answer(204 if fits else 413)

    stub.answers = [answer] * 40
    refusal = make_sink(stub.url).deliver(BATCH)
    taken = [lines for lines in stub.lines if len(lines) <= 2 and "seq=5i" not in "".join(lines)]

    assert Refusal((5,), "it is too large") == refusal
    assert 7 == sum(len(lines) for lines in taken)


@pytest.mark.parametrize(
    "answer, said",
    [
        (
            lambda handler, _: handler.answer(200, b"<html>welcome</html>"),
            "answers 200, as no such",
        ),
        (lambda handler, _: handler.answer(500, b"\xff\xfe\x00"), "answers what no database does"),
        (lambda handler, _: handler.answer(500, b'["no object"]'), "fails (500)"),
        (lambda handler, _: handler.wfile.write(b"SSH-2.0-x\r\n"), "broke off in the middle"),
        (lambda handler, _: handler.connection.shutdown(socket.SHUT_RDWR), "broke off in the mid"),
    ],
)
def test_nonsense_is_no_acknowledgement(
    stub: Stub, make_sink: MakeSink, answer: Answer, said: str
) -> None:
    """Only 204 is; a web page that is glad of everything would swallow the record."""
    stub.answers = [answer]
    sink = make_sink(stub.url)

    assert said in str(_trouble(sink))
    assert sink.deliver(BATCH) is None


def test_a_server_that_says_nothing_is_left_within_the_time(
    stub: Stub, make_sink: MakeSink
) -> None:
    """While it still says nothing, and the sentence names influx.timeout_s."""
    left = threading.Event()

    def say_nothing(*_: object) -> None:
        left.wait(PATIENCE_S)

    stub.answers = [say_nothing]
    try:
        trouble = _trouble(make_sink(stub.url))
    finally:
        left.set()

    assert "does not answer within 1 s (influx.timeout_s)" in str(trouble)


def test_nobody_there_is_a_sentence(make_sink: MakeSink) -> None:
    """Refused, and a name that no machine has (reserved for that by RFC 6761)."""
    port = find_free_port()
    nobody = str(_trouble(make_sink(f"http://{LOOPBACK}:{port}")))
    nowhere = str(_trouble(make_sink("http://nowhere.invalid:8086")))

    assert f"no database at http://{LOOPBACK}:{port}: nobody listens there" in nobody
    assert "there is no machine of that name" in nowhere


def test_the_token_is_never_said(stub: Stub, make_sink: MakeSink) -> None:
    """Also where the server repeats it, and where the rest of its answer is left out."""
    stub.answers = [_v2(500, "internal error", f"bad token {TOKEN}\nand more")]
    said = str(_trouble(make_sink(stub.url)))
    stub.answers = [_v2(500, "internal error", "x" * (199 - len(TOKEN) // 2) + TOKEN)]
    cut = str(_trouble(make_sink(stub.url)))

    assert "bad token (token) and more" in said
    assert TOKEN not in said
    assert TOKEN[:3] not in cut
    assert "xxx" in cut


def test_a_new_token_is_found_without_a_restart(
    stub: Stub, make_sink: MakeSink, tmp_path: Path
) -> None:
    """After a refusal the file is read again."""
    stub.answers = [_v2(401, "unauthorized", "unauthorized access")]
    sink = make_sink(stub.url)
    _trouble(sink)
    (tmp_path / "influx-token").write_text("sekret-2\n")
    sink.deliver(BATCH)

    assert "Token sekret-2" == stub.headers[-1]["Authorization"]


def test_a_trouble_that_lasts_is_not_a_stream_of_lines(
    stub: Stub, make_sink: MakeSink, caplog: pytest.LogCaptureFixture
) -> None:
    """Where it publishes to is said once, however often it connects again."""
    stub.answers = [_v2(401, "unauthorized", "unauthorized access")] * 3
    sink = make_sink(stub.url)
    with caplog.at_level("INFO"):
        for _ in range(3):
            _trouble(sink)
        sink.deliver(BATCH)

    assert 1 == len([line for line in caplog.messages if "publishing to" in line])


def test_a_token_that_others_may_read_is_refused(make_sink: MakeSink, tmp_path: Path) -> None:
    """Before anything is sent, with what to do; a file that is not there too."""
    settings = section("http://127.0.0.1:1", tmp_path)
    (tmp_path / "influx-token").chmod(0o640)
    with pytest.raises(SinkError, match=r"influx\.token_file: others .*'chmod 600"):
        InfluxSink(settings, STATION)
    (tmp_path / "influx-token").unlink()
    with pytest.raises(SinkError, match=r"influx\.token_file: .* cannot be read"):
        InfluxSink(settings, STATION)


def test_a_certificate_of_a_stranger_is_not_trusted(
    stub: Stub, make_sink: MakeSink, tmp_path: Path
) -> None:
    """With https it is checked who signed; a server without TLS is told apart."""
    folder = make_certificates(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "broker.pem", folder / "broker.key")
    with socket.create_server((LOOPBACK, find_free_port())) as listener:

        def serve() -> None:
            for _ in range(2):
                line, _ = listener.accept()
                try:
                    with context.wrap_socket(line, server_side=True) as secure:
                        secure.recv(65_536)
                        secure.sendall(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n")
                except OSError:
                    line.close()

        thread = threading.Thread(target=serve)
        thread.start()
        url = f"https://{LOOPBACK}:{listener.getsockname()[1]}"
        stranger = str(_trouble(make_sink(url, ca_file=str(folder / "stranger.pem"))))
        make_sink(url, ca_file=str(folder / "ca.pem")).deliver([])
        thread.join()
    plain = str(_trouble(make_sink(stub.url.replace("http", "https"))))

    assert "its certificate is not to be trusted; check influx.ca_file" in stranger
    assert "does not speak TLS with us; check whether influx.url is http://" in plain


def test_what_is_sent_is_small(stub: Stub, make_sink: MakeSink) -> None:
    """Compressed, 200 readings are below 10 kB."""
    make_sink(stub.url).deliver([Stored(number, reading(number)) for number in range(200)])

    assert len(gzip.compress("\n".join(stub.lines[0]).encode())) < 10_000
    assert int(stub.headers[0]["Content-Length"]) < 10_000
