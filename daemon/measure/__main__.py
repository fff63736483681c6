"""`python -m daemon.measure --config PATH`, as the unit file starts it."""

from __future__ import annotations

import sys

from daemon.measure.main import main

if __name__ == "__main__":
    sys.exit(main())
