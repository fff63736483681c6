"""Rows of readings as a journal has them, changed past its writer as a disk changes them."""

from __future__ import annotations

import sqlite3

TABLES = ("full_readings", "compact_readings")
AS_SEVEN_HAD_THEM = """
    INSERT INTO full_readings SELECT * FROM decoded_readings;
    DROP VIEW readings;
    DROP VIEW decoded_readings;
    DROP TABLE compact_readings;
    DROP TABLE bases;
    ALTER TABLE full_readings RENAME TO readings;
"""
"""Takes back the eighth version of the journal."""


def change_readings(db: sqlite3.Connection, change: str, where: str = "TRUE") -> None:
    """Change columns that both tables have, in the readings that meet a condition."""
    done = [
        db.execute(f"UPDATE {table} SET {change} WHERE {where}").rowcount  # noqa: S608
        for table in TABLES
    ]
    assert any(done), f"no reading with {where}"


def delete_readings(db: sqlite3.Connection, where: str = "TRUE") -> None:
    """Delete the readings that meet a condition."""
    done = [db.execute(f"DELETE FROM {table} WHERE {where}").rowcount for table in TABLES]  # noqa: S608
    assert any(done), f"no reading with {where}"
