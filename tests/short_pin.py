"""The shortest plan of a pin with one seat (invented), for tests of commands."""

PLAN = """
[job]
part = "Lock pin"
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.010
lower = -0.010
"""
