"""The tables of the journal and the numbered steps that bring an old one up to date.

A reading is one row of plain numbers; what repeats (reservoir, probe, boot,
calibration) stands once, in `origins`.  Readings and events share one count, `seq`, which
is never used twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3

_CONDUCTIVITY, _TEMPERATURE, _SALINITY, _SALINITY_U = (
    f"iif(typeof(compact.{name}) = 'integer',"
    f" (base.{name}_zero + compact.{name}) / base.{name}_per, compact.{name})"
    for name in ("conductivity", "temperature", "salinity", "salinity_u")
)
_DECODED = f"""
    SELECT compact.seq AS seq, base.origin AS origin,
        base.time_ms + compact.back * base.pace_ms + compact.late_ms AS time_ms,
        base.mono_ms + compact.back * base.pace_ms + compact.late_ms AS mono_ms,
        base.synced AS synced,
        {_CONDUCTIVITY} AS conductivity_mS_cm,
        {_TEMPERATURE} AS temperature_C,
        {_SALINITY} AS salinity,
        {_SALINITY_U} AS salinity_u,
        base.flag AS flag, base.tests AS tests, base.pump AS pump, base.fault AS fault,
        coalesce(compact.spoken, replace(replace(base.spoken,
            '{{c}}', printf('%.*f', base.c_decimals, base.c_factor * {_CONDUCTIVITY})),
            '{{t}}', printf('%.*f', base.t_decimals, {_TEMPERATURE}))) AS spoken,
        compact.proof AS proof,
        NULL AS conductivity_age_s, NULL AS temperature_age_s,
        NULL AS conductivity_age_u_mS_cm, NULL AS temperature_age_u_C
    FROM compact_readings AS compact
    LEFT JOIN bases AS base ON base.seq = compact.seq - compact.back
"""  # noqa: S608 - constants
"""Readings that count from a base, every value as it was given."""
# A plus takes its type from a column: SQLite merges both parts in order only where types agree.
_FULL = """
    SELECT seq, origin, +time_ms AS time_ms, +mono_ms AS mono_ms, synced,
        +conductivity_mS_cm AS conductivity_mS_cm, +temperature_C AS temperature_C,
        +salinity AS salinity, +salinity_u AS salinity_u, flag, tests, pump, fault,
        +spoken AS spoken, proof,
        +conductivity_age_s AS conductivity_age_s, +temperature_age_s AS temperature_age_s,
        +conductivity_age_u_mS_cm AS conductivity_age_u_mS_cm,
        +temperature_age_u_C AS temperature_age_u_C
    FROM full_readings
"""
MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE origins (
        id INTEGER PRIMARY KEY,
        reservoir TEXT NOT NULL,
        probe TEXT NOT NULL,
        boot TEXT NOT NULL,
        UNIQUE (reservoir, probe, boot)
    ) STRICT;
    CREATE TABLE readings (
        seq INTEGER PRIMARY KEY,
        origin INTEGER NOT NULL REFERENCES origins (id),
        time_ms INTEGER NOT NULL,
        mono_ms INTEGER NOT NULL,
        synced INTEGER NOT NULL,
        conductivity_mS_cm REAL,
        temperature_C REAL,
        salinity REAL,
        salinity_u REAL,
        flag INTEGER NOT NULL,
        tests TEXT NOT NULL,
        pump INTEGER,
        fault TEXT NOT NULL,
        spoken TEXT NOT NULL
    ) STRICT;
    CREATE TABLE events (
        seq INTEGER PRIMARY KEY,
        origin INTEGER NOT NULL REFERENCES origins (id),
        time_ms INTEGER NOT NULL,
        mono_ms INTEGER NOT NULL,
        synced INTEGER NOT NULL,
        batch TEXT NOT NULL,
        kind TEXT NOT NULL,
        facts TEXT NOT NULL
    ) STRICT;
    CREATE INDEX events_by_batch ON events (batch, seq);
    CREATE TABLE pictures (
        reservoir TEXT PRIMARY KEY,
        seq INTEGER NOT NULL,
        picture TEXT NOT NULL
    ) STRICT;
    CREATE TABLE memory (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        seq INTEGER NOT NULL,
        state TEXT NOT NULL
    ) STRICT;
    """,
    # Tells a journal from another one at the same path, so that a cursor of the one is not
    # taken for a cursor of the other.
    """
    CREATE TABLE identity (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        name TEXT NOT NULL
    ) STRICT;
    INSERT INTO identity VALUES (1, lower(hex(randomblob(8))));
    """,
    # Readings carry the calibration that they were computed under; those before carry none.
    """
    CREATE TABLE origins_3 (
        id INTEGER PRIMARY KEY,
        reservoir TEXT NOT NULL,
        probe TEXT NOT NULL,
        boot TEXT NOT NULL,
        calibration TEXT NOT NULL DEFAULT '',
        UNIQUE (reservoir, probe, boot, calibration)
    ) STRICT;
    INSERT INTO origins_3 (id, reservoir, probe, boot)
        SELECT id, reservoir, probe, boot FROM origins;
    DROP TABLE origins;
    ALTER TABLE origins_3 RENAME TO origins;
    """,
    # What was written is proven by a check, and old readings become minute summaries: one row
    # for each origin, minute of the wall clock and class of its readings.
    """
    ALTER TABLE readings ADD COLUMN proof INTEGER;
    ALTER TABLE events ADD COLUMN proof INTEGER;
    ALTER TABLE memory ADD COLUMN proof INTEGER;
    CREATE TABLE summaries (
        first_seq INTEGER PRIMARY KEY,
        last_seq INTEGER NOT NULL,
        origin INTEGER NOT NULL REFERENCES origins (id),
        minute INTEGER NOT NULL,
        class TEXT NOT NULL,
        readings INTEGER NOT NULL,
        synced INTEGER NOT NULL,
        flag INTEGER NOT NULL,
        conductivity_count INTEGER NOT NULL,
        conductivity_min_mS_cm REAL,
        conductivity_mean_mS_cm REAL,
        conductivity_max_mS_cm REAL,
        temperature_count INTEGER NOT NULL,
        temperature_min_C REAL,
        temperature_mean_C REAL,
        temperature_max_C REAL,
        salinity_count INTEGER NOT NULL,
        salinity_min REAL,
        salinity_mean REAL,
        salinity_max REAL,
        salinity_u_count INTEGER NOT NULL,
        salinity_u_mean REAL,
        pump_count INTEGER NOT NULL,
        pump_share REAL,
        proof INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE summarised (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        to_seq INTEGER NOT NULL,
        readings INTEGER NOT NULL,
        damaged INTEGER NOT NULL,
        summaries_removed INTEGER NOT NULL
    ) STRICT;
    INSERT INTO summarised VALUES (1, 0, 0, 0, 0);
    """,
    # Up to which number rows have no check since an older version wrote them; later ones that
    # seem to have none were changed.
    """
    CREATE TABLE unproven (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        to_seq INTEGER NOT NULL
    ) STRICT;
    INSERT INTO unproven SELECT 1, max(
        coalesce((SELECT max(seq) FROM readings WHERE proof IS NULL), 0),
        coalesce((SELECT max(seq) FROM events WHERE proof IS NULL), 0),
        coalesce((SELECT max(seq) FROM memory WHERE proof IS NULL), 0));
    """,
    # Between which times the entries of a block of numbers lie, so that whoever wants a day need
    # not read years.  The writer fills it little by little, also for what was there before;
    # entries in no block may be of any time.
    """
    CREATE TABLE blocks (
        last_seq INTEGER PRIMARY KEY,
        first_seq INTEGER NOT NULL,
        earliest_ms INTEGER NOT NULL,
        latest_ms INTEGER NOT NULL,
        proof INTEGER NOT NULL
    ) STRICT;
    """,
    # How old the two values of a reading were, and what that adds to their uncertainty; nothing
    # where both are of its own moment, as in all readings before.
    """
    ALTER TABLE readings ADD COLUMN conductivity_age_s REAL;
    ALTER TABLE readings ADD COLUMN temperature_age_s REAL;
    ALTER TABLE readings ADD COLUMN conductivity_age_u_mS_cm REAL;
    ALTER TABLE readings ADD COLUMN temperature_age_u_C REAL;
    """,
    # Readings in less room: one counts its values from a base that it shares with those before
    # it, in steps that lose nothing.  What does not fit a base is in `full_readings` as before;
    # `readings` has both, every value as it was given.
    f"""
    ALTER TABLE readings RENAME TO full_readings;
    CREATE TABLE bases (
        seq INTEGER PRIMARY KEY,             -- of the first reading that counts from it
        origin INTEGER NOT NULL REFERENCES origins (id),
        time_ms INTEGER NOT NULL,            -- wall clock at that reading, ms since 1970, UTC
        mono_ms INTEGER NOT NULL,            -- monotonic clock at that reading, ms
        pace_ms INTEGER NOT NULL,            -- about how much later each number is, ms
        synced INTEGER NOT NULL,             -- 1 where the wall clock is synchronised
        flag INTEGER NOT NULL,               -- QARTOD: 1 pass, 2 not evaluated, 3, 4, 9 missing
        tests TEXT NOT NULL,                 -- the flag of each quality test, a digit each
        pump INTEGER,                        -- 1 running, 0 at rest, NULL not known
        fault TEXT NOT NULL,                 -- why no value came; empty where one did
        conductivity_zero INTEGER NOT NULL,  -- where counting begins, in steps
        conductivity_per REAL NOT NULL,      -- steps for 1 mS/cm
        temperature_zero INTEGER NOT NULL,
        temperature_per REAL NOT NULL,       -- steps for 1 °C
        salinity_zero INTEGER NOT NULL,
        salinity_per REAL NOT NULL,          -- steps for a salinity of 1
        salinity_u_zero INTEGER NOT NULL,
        salinity_u_per REAL NOT NULL,
        spoken TEXT NOT NULL,                -- the instrument's words, {{c}} and {{t}} its figures
        c_factor REAL NOT NULL,              -- what {{c}} is for 1 mS/cm of conductivity
        c_decimals INTEGER NOT NULL,         -- decimals of {{c}}
        t_decimals INTEGER NOT NULL          -- decimals of {{t}}
    ) STRICT;
    CREATE TABLE compact_readings (
        seq INTEGER PRIMARY KEY,
        back INTEGER NOT NULL,               -- the base is the one of number seq - back
        late_ms INTEGER NOT NULL,            -- later than that pace has it, by both clocks, ms
        conductivity ANY,                    -- an integer is steps from the base's zero,
        temperature ANY,                     -- a real number the value itself, in mS/cm and °C;
        salinity ANY,                        -- NULL is none
        salinity_u ANY,
        spoken TEXT,                         -- the instrument's words; NULL where the base's fit
        proof INTEGER NOT NULL               -- 24 bits of the CRC-32 of all of the reading
    ) STRICT;
    CREATE VIEW decoded_readings AS {_DECODED};
    CREATE VIEW readings AS {_FULL} UNION ALL {_DECODED};
    """,
)
READABLE_FROM = 5
"""The oldest version whose entries are read as they are: what came since makes it quicker, or is
nothing in an entry of before."""
WITH_AGES = 7
"""The first version whose readings have the ages of their values."""
WITH_BASES = 8
"""The first version whose readings count from bases."""


def migrate(connection: sqlite3.Connection) -> None:
    """Bring the journal to the newest version, each step whole or not at all.

    A new one is made whole or not at all, so that it is never taken for an older one meanwhile.

    Raises:
        ValueError: The journal was written by a newer version than this one.
    """
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > len(MIGRATIONS):
        raise ValueError(misfit(version))
    if version == 0 and not connection.execute("SELECT 1 FROM sqlite_schema").fetchone():
        _take(connection, "".join(MIGRATIONS), len(MIGRATIONS))
        return
    for number in range(version, len(MIGRATIONS)):
        _take(connection, MIGRATIONS[number], number + 1)


def _take(connection: sqlite3.Connection, step: str, version: int) -> None:
    connection.executescript(f"BEGIN IMMEDIATE; {step} PRAGMA user_version = {version}; COMMIT;")


def misfit(version: int) -> str:
    """Say what to do about a journal whose schema is not the one of this version."""
    known = len(MIGRATIONS)
    if version > known:
        return (
            f"a newer version wrote it (schema {version}, this one knows {known});"
            " install that version again"
        )
    return (
        f"an older version wrote it (schema {version}, this one needs {known});"
        " start 'brinewright run' once to bring it up to date"
    )
