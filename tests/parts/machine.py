"""A machine's devices as the kernel shows them: trees of files that a test makes."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from daemon.probes.inventory import Places


@dataclass
class Machine:
    """A made-up machine.

    Attributes:
        root: Its folder.
        places: Where its devices and processes are shown.
    """

    root: Path
    places: Places = field(init=False)

    def __post_init__(self) -> None:
        """Make the folders that every machine has."""
        dev, sys, proc = (self.root / each for each in ("dev", "sys", "proc"))
        self.places = Places(dev, sys, proc, (self.root,))
        for each in (self.places.dev, self.places.sys, self.places.proc):
            each.mkdir()

    def write(self, path: Path, text: str = "") -> Path:
        """Write one small file, with the folders that it needs."""
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    def device(self, name: str, mode: int = 0o660) -> Path:
        """A device file; a plain file stands for it."""
        path = self.write(self.places.dev / name)
        path.chmod(mode)
        return path

    def link(self, name: str, target: Path) -> Path:
        """A name below /dev that stays."""
        path = self.places.dev / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.symlink_to(target)
        return path

    def serial(self, name: str, kind: str = "") -> Path:
        """A serial port with hardware behind it; `kind` is what the kernel calls its chip."""
        entry = self.places.sys / "class/tty" / name
        (entry / "device").mkdir(parents=True)
        if kind:
            self.write(entry / "type", f"{kind}\n")
        return self.device(name)

    def usb(self, name: str, product: str, number: str) -> Path:
        """A USB adapter, two levels below what describes it."""
        usb = self.places.sys / "devices/usb1/1-1"
        (usb / "1-1:1.0" / name).mkdir(parents=True)
        self.write(usb / "idVendor", "0001\n")
        self.write(usb / "product", f"{product}\n")
        if number:
            self.write(usb / "serial", f"{number}\n")
        entry = self.places.sys / "class/tty" / name
        entry.mkdir(parents=True)
        (entry / "device").symlink_to(usb / "1-1:1.0" / name)
        return self.device(name)

    def holds(self, number: int, name: str, path: Path, line: str = "") -> None:
        """A process that has a device open."""
        folder = self.places.proc / str(number)
        (folder / "fd").mkdir(parents=True)
        (folder / "fd" / "3").symlink_to(path)
        self.write(folder / "comm", f"{name}\n")
        (folder / "cmdline").write_bytes(line.replace(" ", "\0").encode())
