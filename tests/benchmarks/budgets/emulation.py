"""Whether this machine is an emulated one, on which no measure of speed is worth anything.

User-mode emulation runs a program of another machine instruction by instruction and lets the
kernel beneath answer for itself, so the program believes one machine and the kernel tells of
another.  The emulator forges some of what the kernel says, which differs by its version; so more
than one thing is looked at.
"""

from __future__ import annotations

import platform
import re
from dataclasses import dataclass
from pathlib import Path

CPUINFO = Path("/proc/cpuinfo")
MODALIAS = Path("/sys/devices/system/cpu/modalias")
MAPS = Path("/proc/self/maps")
X86 = ("x86_64", "amd64", "i686", "i386")
ARM = ("aarch64", "arm64", "armv7l", "armv6l")


@dataclass(frozen=True, slots=True)
class Machine:
    """What is said of a machine, by whom.

    Attributes:
        name: By the program's own system call, `uname -m`.
        cpuinfo: By the kernel, of its processors; empty where it says nothing.
        modalias: By the kernel, as its drivers know the processor; likewise.
        maps: Files that are mapped into this process; likewise.
    """

    name: str
    cpuinfo: str = ""
    modalias: str = ""
    maps: str = ""


def this_machine() -> Machine:
    """Return what is said of the machine that this runs on."""
    return Machine(platform.machine(), *(_read(path) for path in (CPUINFO, MODALIAS, MAPS)))


def emulated(machine: Machine) -> str:
    """Return why a machine is an emulated one, as a sentence; empty where nothing says so."""
    family = _family(machine.name)
    if re.search(r"/qemu-|\bQEMU\b", machine.maps):
        return "an emulator is mapped into this process"
    of_kernel = re.match(r"cpu:type:(\w+)", machine.modalias)
    if of_kernel and _family(of_kernel[1]) not in ("", family):
        return f"programs see {machine.name}, and the kernel runs on {of_kernel[1]}"
    if family == "arm" and re.search(r"^(vendor_id|flags)\s*:", machine.cpuinfo, re.MULTILINE):
        return f"programs see {machine.name}, and /proc/cpuinfo tells of an x86 processor"
    if family == "x86" and re.search(r"^CPU implementer\s*:", machine.cpuinfo, re.MULTILINE):
        return f"programs see {machine.name}, and /proc/cpuinfo tells of an ARM processor"
    return ""


def refusal(machine: Machine) -> str:
    """Return why speed is not measured here, and where to; empty where it is."""
    why = emulated(machine)
    if not why:
        return ""
    return (
        f"no measure of speed: {why}, so this is emulation, which costs some ten times as much and"
        " some things more than others; run it on the machine itself"
    )


def _family(name: str) -> str:
    if name.lower() in (*X86, "x86"):
        return "x86"
    return "arm" if name.lower() in (*ARM, "arm") else ""


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
