"""The other side of a device file: a Unix socket at its path, behind which a simulated device sits.

A program comes to it through a small library that the tests put between it and the C library, which
turns `open` and `ioctl` into messages (`tests/parts/device_sockets.c` says how).  A message is the
number of the call (32 bits), the name of the open file (32 bytes) and what belongs to the call; the
answer is a result, negative for an error number, and what comes back.
"""

from __future__ import annotations

import os
import selectors
import socket
import struct
import threading
from contextlib import suppress
from pathlib import Path
from typing import Protocol, Self

HEAD = struct.Struct("=I32s")
RESULT = struct.Struct("=i")
LONGEST = 65_536
OPEN = 0


class Stuck(Exception):  # noqa: N818 - a state of the bus
    """The device gives no answer to a call, and the caller stays in it."""


class Device(Protocol):
    """What sits behind a device file.  Each of these may raise OSError, which the caller gets."""

    def open(self, handle: bytes, call: int, body: bytes) -> bytes:
        """A program has opened the file, or with a call got a further descriptor of it."""

    def call(self, handle: bytes, call: int, body: bytes) -> tuple[int, bytes]:
        """Carry out one ioctl.

        Raises:
            Stuck: There is no answer until the device is released or taken away.
        """

    def closed(self, handle: bytes) -> None:
        """A program has closed a descriptor."""


class DeviceSocket:
    """A device at a path, served by a thread of its own.

    Attributes:
        path: Where it is.
        device: What it is.
        parked: Callers that wait for an answer, with what they sent.
    """

    def __init__(self, path: Path, device: Device) -> None:
        """Choose the path, of at most 107 bytes; nothing is there before `plug`."""
        self.path, self.device = path, device
        self._selector = selectors.DefaultSelector()
        self._wake, self._waker = socket.socketpair()
        self._selector.register(self._wake, selectors.EVENT_READ)
        self._listener: socket.socket | None = None
        self._handles: dict[socket.socket, bytes] = {}
        self.parked: list[tuple[socket.socket, bytes]] = []
        self._released = self._ends = False
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None

    def plug(self) -> None:
        """Put the device there."""
        self.path.unlink(missing_ok=True)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._listener.bind(os.fspath(self.path))
        self._listener.listen(32)
        self._ends = False
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._thread = threading.Thread(target=self._serve, name=self.path.name)
        self._thread.start()

    def unplug(self) -> None:
        """Take it away: its path is gone, and so is what programs hold of it."""
        if self._thread is None:
            return
        self.path.unlink(missing_ok=True)
        self._ends = True
        self._waker.send(b".")
        self._thread.join()
        self._thread = None

    def release(self) -> None:
        """Let the calls go on that the device kept."""
        self._released = True
        self._waker.send(b".")

    def close(self) -> None:
        """Take everything away for good; may be called twice."""
        self.unplug()
        self._selector.close()  # twice is allowed, as for sockets
        self._wake.close()
        self._waker.close()

    def __enter__(self) -> Self:
        """Put it there."""
        self.plug()
        return self

    def __exit__(self, *_: object) -> None:
        """Take it away."""
        self.close()

    def _serve(self) -> None:
        while not self._ends:
            for key, _ in self._selector.select():
                one = key.fileobj
                if one is self._wake:
                    self._wake.recv(64)
                    self._retry()
                elif one is self._listener:
                    self._accept(self._listener)
                elif isinstance(one, socket.socket):
                    self._take(one)
        self._drop_all()

    def _accept(self, listener: socket.socket) -> None:
        connection, _ = listener.accept()
        self._selector.register(connection, selectors.EVENT_READ)

    def _take(self, connection: socket.socket) -> None:
        packet = b""
        with suppress(OSError):
            packet = connection.recv(LONGEST)
        if len(packet) < HEAD.size:
            self._drop(connection)
        else:
            self._answer(connection, packet)

    def _answer(self, connection: socket.socket, packet: bytes) -> None:
        call, handle = HEAD.unpack_from(packet)
        body = packet[HEAD.size :]
        fresh = handle.rstrip(b"\0") not in self._handles.values()
        name = handle.rstrip(b"\0")
        try:
            if fresh:
                result, answer = 0, self.device.open(name, call, body)
                self._handles[connection] = name
            else:
                result, answer = self.device.call(name, call, body)
        except Stuck:
            self.parked.append((connection, packet))
            return
        except OSError as exc:
            result, answer = -(exc.errno or 5), b""
        with suppress(OSError):
            connection.send(RESULT.pack(result) + answer)

    def _retry(self) -> None:
        if self._released:
            self._released = False
            parked, self.parked = self.parked, []
            for connection, packet in parked:
                self._answer(connection, packet)

    def _drop(self, connection: socket.socket) -> None:
        self._selector.unregister(connection)
        connection.close()
        self.parked = [each for each in self.parked if each[0] is not connection]
        handle = self._handles.pop(connection, None)
        if handle is not None:
            self.device.closed(handle)

    def _drop_all(self) -> None:
        sockets = [key.fileobj for key in self._selector.get_map().values()]
        for one in sockets:
            if isinstance(one, socket.socket) and one not in {self._wake, self._listener}:
                self._drop(one)
        if self._listener is not None:
            self._selector.unregister(self._listener)
            self._listener.close()
            self._listener = None
