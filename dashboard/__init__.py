"""The dashboard: reads what the engine wrote, draws it, and explains it. It never computes an event."""
