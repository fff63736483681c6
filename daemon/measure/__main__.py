"""`python -m daemon.measure --config PATH`, as the unit file starts it."""

from __future__ import annotations

import sys

# Checksums are made by Python's own code then; OpenSSL's would hold 3.5 MiB for the same bytes.
sys.modules["_hashlib"] = None  # type: ignore[assignment]

from daemon.measure.main import main  # noqa: E402

if __name__ == "__main__":
    sys.exit(main())
