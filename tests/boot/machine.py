"""A Debian system under its own systemd, in a container with a disk of its own.

The container lives in a private mount namespace with the host's control groups mounted as
version 2, whatever the host itself uses.  It has no network but its own loopback, unless it is
to share the host's.  The end of the process that started it ends it too.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.boot.processes import children, end

PATIENCE_S = 60.0
"""Longest wait for a system to start or stop, s; it takes less than 2 s."""

QUICK_S = 10.0
"""Longest wait for an answer of systemd, s; it takes milliseconds."""

LONGEST_CONSOLE = 20_000
"""Characters of the console that a message shows."""

SETTLED = ("running", "degraded", "maintenance")
"""States of systemd in which a start is over."""

# $1 is the folder of the machine, $2 its layers, $3 its control group.
ENTER = """
set -eu
rm -rf "$1/work" && mkdir "$1/work"
# Volatile: nothing waits for the host's disk.
layers=lowerdir=$2,upperdir=$1/upper,workdir=$1/work
mount -t overlay overlay -o "$layers,volatile" "$1/root"
mount -t cgroup2 cgroup2 /sys/fs/cgroup
mount -t tmpfs tmpfs /run  # the container's locks and sockets go with this namespace
mkdir -p "/sys/fs/cgroup/$3"
echo 0 >"/sys/fs/cgroup/$3/cgroup.procs"
shift 3
exec systemd-nspawn "$@"
"""
LEAVE = """
mount -t cgroup2 cgroup2 /sys/fs/cgroup
group=/sys/fs/cgroup/$1 tries=0
# The last process counts for a moment after its end.
while [ -d "$group" ] && [ $tries -lt 500 ]; do
  find "$group" -depth -type d -exec rmdir {} + 2>/dev/null || sleep 0.01
  tries=$((tries + 1))
done
[ ! -d "$group" ]
"""
OWN_MOUNTS = ("unshare", "--mount", "--propagation", "private")
# Whoever started it dies: unshare dies, the first process inside dies, all inside die.
PRIVATE = (
    *("setpriv", "--pdeathsig", "KILL"),
    *OWN_MOUNTS,
    *("--pid", "--mount-proc", "--kill-child"),
)
ENVIRONMENT = {
    "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    "LANG": "C.UTF-8",
    "SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1",
}
_numbers = itertools.count(1)


class Machine:
    """One system: a copy of a root that is booted, used, stopped and booted again.

    As a context manager it leaves nothing behind, whatever happened inside.  A machine that is
    off can be used too: commands then run on its disk without its services.

    Attributes:
        folder: Holds what differs from the layers, and the console's log.
        layers: Folders that make up the disk, the topmost first; they are only read.
        mounts: Folders of the host by their place in the machine, where they are read-only.
        network: Whether it shares the host's network.
        name: Of the container and of its control group.
    """

    def __init__(
        self,
        folder: Path,
        layers: Sequence[Path],
        mounts: Mapping[str, Path] | None = None,
        *,
        network: bool = False,
    ) -> None:
        self.folder = folder
        self.layers = tuple(layers)
        self.mounts = dict(mounts or {})
        self.network = network
        self.name = f"brinewright-{os.getpid()}-{next(_numbers)}"
        self._container: subprocess.Popen[bytes] | None = None
        self._systemd: int | None = None
        for part in ("upper", "root"):
            (folder / part).mkdir(parents=True)

    def __enter__(self) -> Self:
        """Nothing is started yet."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave nothing behind."""
        self.close()

    # --- power ------------------------------------------------------------------------------

    def boot(self, timeout_s: float = PATIENCE_S) -> str:
        """Start the system, wait until it is up, and return systemd's word for its state.

        Returns:
            "running", or "degraded" when a unit failed.
        """
        assert not self.is_on, "the machine is on"
        with (self.folder / "console.log").open("ab") as console:
            self._container = subprocess.Popen(
                self._entry(
                    "--console=read-only",
                    "--boot",
                    "systemd.show_status=no",
                    "systemd.log_color=no",
                    "systemd.journald.forward_to_console=yes",
                ),
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=console,
                env=ENVIRONMENT,
                start_new_session=True,  # an interrupt is for the tests alone
            )
        deadline_s = time.monotonic() + timeout_s
        state = "off"
        while state not in SETTLED:
            if self._container.poll() is not None or time.monotonic() > deadline_s:
                self.kill()
                raise AssertionError(f"the machine did not start ({state}):\n{self.console}")
            time.sleep(0.05)
            state = self._state()
        return state

    def power_off(self, timeout_s: float = PATIENCE_S) -> None:
        """Shut down in order and wait until the machine is off."""
        assert self._container is not None, "the machine is off"
        os.kill(self._leader(), signal.SIGRTMIN + 4)  # poweroff.target: systemd(1)
        try:
            self._container.wait(timeout_s)
        except subprocess.TimeoutExpired:
            raise AssertionError(
                f"the machine was not off after {timeout_s:g} s:\n{self.console}"
            ) from None
        finally:
            self.kill()

    def kill(self) -> None:
        """Stop all of it at once, as a power cut does; nothing if it is off.

        What the system had written but not forced to the disk is there afterwards all the same:
        the disk's cache is the host's.
        """
        if self._container is not None:
            end(self._container)
            self._container = self._systemd = None

    def close(self) -> None:
        """Stop it and remove its disk; the console's log stays."""
        self.kill()
        subprocess.run(
            [*OWN_MOUNTS, "sh", "-c", LEAVE, "sh", self.name], env=ENVIRONMENT, check=True
        )
        for part in ("upper", "work", "root"):
            shutil.rmtree(self.folder / part, ignore_errors=True)

    @property
    def is_on(self) -> bool:
        """Whether the container runs."""
        return self._container is not None and self._container.poll() is None

    @property
    def console(self) -> str:
        """The last of what the system said on its console: its whole log goes there."""
        log = self.folder / "console.log"
        return log.read_text(errors="replace")[-LONGEST_CONSOLE:] if log.exists() else ""

    @property
    def disk(self) -> tuple[Path, ...]:
        """Layers for further machines that begin with this one's disk; it must stay off."""
        assert not self.is_on, "the machine is on"
        return (self.folder / "upper", *self.layers)

    # --- use --------------------------------------------------------------------------------

    def run(
        self,
        command: Sequence[str],
        *,
        user: str = "root",
        stdin: str = "",
        timeout_s: float = PATIENCE_S,
        check: bool = False,
    ) -> subprocess.CompletedProcess[str]:
        """Run a command in the machine and wait; what it leaves in its background ends with it.

        Args:
            command: Program and arguments; no shell is between.
            user: Who runs it, with all groups of that user and a clean environment.
            stdin: What it reads.
            timeout_s: How long it may take, s.
            check: Whether any exit code but 0 is an error.

        Raises:
            AssertionError: It took too long, or `check` failed.
        """
        done = self._run(command, user, stdin.encode(), timeout_s)
        result = subprocess.CompletedProcess(
            list(command), done.returncode, done.stdout.decode(), done.stderr.decode()
        )
        assert not check or result.returncode == 0, (
            f"{list(command)} as {user} ended with {result.returncode}:\n"
            f"{result.stdout}{result.stderr}"
        )
        return result

    def ask(self, *command: str, timeout_s: float = QUICK_S) -> str:
        """Return what a command says that asks the machine's systemd something; it must be on.

        It costs a fraction of `run`, which makes each command a unit of the machine.
        """
        with subprocess.Popen(
            self._inside(*command),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=ENVIRONMENT,
        ) as visit:
            try:
                return visit.communicate(timeout=timeout_s)[0].decode()
            finally:
                end(visit)

    def read(self, path: str) -> bytes:
        """Return what a file of the machine holds."""
        done = self._run(["cat", path], "root", b"", PATIENCE_S)
        assert done.returncode == 0, done.stderr.decode()
        return done.stdout

    def write(
        self, path: str, content: str | bytes, *, mode: int = 0o644, owner: str = "root:root"
    ) -> None:
        """Write a file of the machine, making its folder if there is none."""
        script = 'mkdir -p "$(dirname "$1")" && cat >"$1" && chmod "$2" "$1" && chown "$3" "$1"'
        data = content.encode() if isinstance(content, str) else content
        command = ["sh", "-c", script, "sh", path, f"{mode:o}", owner]
        done = self._run(command, "root", data, PATIENCE_S)
        assert done.returncode == 0, done.stderr.decode()

    # --- underneath -------------------------------------------------------------------------

    def _entry(self, *arguments: str) -> list[str]:
        """Command that enters a private namespace and starts the container there."""
        layers = ":".join(map(str, self.layers))
        return [
            *PRIVATE,
            *("sh", "-c", ENTER, "sh", str(self.folder), layers, self.name),
            "--quiet",
            "--register=no",
            "--keep-unit",
            *([] if self.network else ["--private-network"]),
            f"--machine={self.name}",
            f"--directory={self.folder / 'root'}",
            *("--resolv-conf=off", "--timezone=off", "--link-journal=no"),
            *(f"--bind-ro={host}:{place}" for place, host in self.mounts.items()),
            *arguments,
        ]

    def _run(
        self, command: Sequence[str], user: str, data: bytes, timeout_s: float
    ) -> subprocess.CompletedProcess[bytes]:
        unit = f"visit-{next(_numbers)}"
        if self.is_on:
            entry = self._inside(
                *("systemd-run", "--quiet", "--pipe", "--wait", "--collect"),
                *(f"--unit={unit}", f"--uid={user}", "--", *command),
            )
        else:
            entry = self._entry("--console=pipe", "--as-pid2", f"--user={user}", *command)
        with subprocess.Popen(
            entry,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=ENVIRONMENT,
            start_new_session=True,
        ) as visit:
            try:
                out, err = visit.communicate(data, timeout_s)
            except BaseException as exc:
                self._end(visit, unit)
                if not isinstance(exc, subprocess.TimeoutExpired):
                    raise
                out, err = visit.communicate()
                raise AssertionError(
                    f"{list(command)} as {user} took more than {timeout_s:g} s:\n"
                    f"{(out + err).decode(errors='replace')}"
                ) from None
        return subprocess.CompletedProcess(list(command), visit.returncode, out, err)

    def _end(self, visit: subprocess.Popen[bytes], unit: str) -> None:
        """End a command, and what waits for it outside."""
        if self.is_on:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.ask("systemctl", "kill", "--signal=KILL", unit)
        end(visit)

    def _inside(self, *command: str) -> list[str]:
        """Command that runs another beside the services of the machine, which is on."""
        spaces = ("--mount", "--uts", "--ipc", "--net", "--pid", "--cgroup", "--root", "--wd")
        return ["nsenter", f"--target={self._leader()}", *spaces, "--", *command]

    def _state(self) -> str:
        with contextlib.suppress(AssertionError, subprocess.TimeoutExpired):
            return self.ask("systemctl", "is-system-running").strip() or "off"
        return "off"

    def _leader(self) -> int:
        """Process number of the machine's systemd, as the host counts."""
        assert self._container is not None, "the machine is off"
        if self._systemd is None:
            self._systemd = self._find_systemd(self._container.pid)
        return self._systemd

    def _find_systemd(self, outer: int) -> int:
        for pid in [inner for entry in children(outer) for inner in children(entry)]:
            with contextlib.suppress(OSError):
                # Until it has become systemd it is still half outside.
                if Path(f"/proc/{pid}/comm").read_text() == "systemd\n":
                    return pid
        raise AssertionError(f"the machine has no systemd:\n{self.console}")
