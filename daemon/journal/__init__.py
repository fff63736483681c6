"""The one hand-off between measuring and publishing: SQLite files."""
