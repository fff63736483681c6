"""`[notify]` and `[heartbeat]`: what may stand in them, and what is said of what may not."""

from __future__ import annotations

import pytest

from daemon.config import parse
from tests.unit.config.test_config import FILE, VALID, faults

NOTIFY = VALID + '\n[notify]\nurls_file = "receivers"\n'


def test_one_key_is_enough() -> None:
    """The file of receivers lies beside the configuration; the rest has defaults."""
    notify = parse(NOTIFY, FILE).notify

    assert notify is not None
    assert FILE.with_name("receivers") == notify.urls_file
    assert (("08:00",), "22:00", "07:00", 30, 12) == (
        notify.digest_at,
        notify.quiet_from,
        notify.quiet_until,
        notify.repeat_every_min,
        notify.at_most_per_h,
    )


@pytest.mark.parametrize(
    "line, said",
    [
        ('digest_at = ["8"]', "notify.digest_at[1] = '8' is not allowed: it is not hours"),
        ("digest_at = []", "notify.digest_at = [] is not allowed: it names no time"),
        ('quiet_from = "25:00"', "notify.quiet_from = '25:00' is not allowed: there is no such"),
        ("repeat_every_min = 0", "give a whole number from 1 to 1440 minutes."),
        ("at_most_per_h = 0", "give a whole number from 1 to 1000 messages."),
        ('urls = "mailto://x"', "notify.urls is not a known key; the nearest is urls_file."),
    ],
)
def test_a_wrong_key_is_one_sentence(line: str, said: str) -> None:
    """It names file, key, value and what is allowed."""
    (fault,) = faults(f"{NOTIFY}{line}\n")

    assert said in fault
    assert fault.startswith(f"{FILE}: notify.")


def test_a_heartbeat_needs_its_address() -> None:
    """The key is named."""
    (fault,) = faults(f"{VALID}\n[heartbeat]\nevery_s = 60\n")

    assert "heartbeat.url_file is missing" in fault


def test_both_are_left_out_by_default() -> None:
    """Nobody is told, and nobody watches."""
    config = parse(VALID, FILE)

    assert (None, None) == (config.notify, config.heartbeat)
    assert "notify" not in config.publishers
    assert "notify" in parse(NOTIFY, FILE).publishers
