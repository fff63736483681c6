"""What is loaded for the pages of batches: no equations of seawater, until a lot needs them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.parts.batch_scene import MadeBatch, write_scene

SCRIPT = """
import sys
from pathlib import Path
from tests.unit.page.batches.parts import ask
heavy = {"gsw", "numpy", "daemon.mixing.stability.detector"}
for address in sys.argv[2:]:
    assert ask(Path(sys.argv[1]), address).status == 200
    print(sorted(heavy & set(sys.modules)))
"""


def test_only_lots_load_the_equations(tmp_path: Path) -> None:
    """16 MB of a small machine, for a page that few look at; and the detectors never."""
    write_scene(tmp_path / "journal.db", [MadeBatch()])
    batch = MadeBatch().id
    addresses = ["/batches", f"/batches/{batch}", f"/api/batches/{batch}/curve", "/lots"]
    words = [sys.executable, "-c", SCRIPT, str(tmp_path / "journal.db"), *addresses]
    out = subprocess.run(words, capture_output=True, text=True, check=True).stdout

    assert ["[]", "[]", "[]", "['gsw', 'numpy']"] == out.splitlines()
