"""The gauge: its steps, its spread, and what it leaves of the tolerance."""
