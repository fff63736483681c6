"""Short cautions that stand wherever a person reads of what they are about: plain data.

The wording is our own, after common practice, from memory; local rules come first.
"""

from __future__ import annotations

INDEPENDENT_CHECK = "check with an independent instrument before animals meet it"
"""Goes with every `released` that a person reads: the probe must not be its own witness."""

UNPLUG_FIRST = "unplug first what runs on mains in that water"
"""Goes with every text that sends a hand into the water: salt water conducts very well."""

SALT_SLOWLY = "slowly, into moving water, never water onto salt"
"""How salt goes in."""

SALT_DUST = "salt dust irritates: air the room, wear gloves and eye protection"
"""Goes with every text that has salt poured."""

SUDDEN_CHANGE = "a sudden change stresses animals"
"""Goes with a large water change."""
