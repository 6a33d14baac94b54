"""The loaded demo week, once per engine and session."""

from demo_week import demo_on_postgresql, demo_on_sqlite

__all__ = ["demo_on_postgresql", "demo_on_sqlite"]
