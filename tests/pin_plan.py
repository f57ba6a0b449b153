"""The plan of a pin with one seat (invented), for tests of several rooms."""

PIN = """
[job]
part = "Lock pin"
minutes_per_part = 1.0

[[feature]]
name = "seat"
nominal = 25.0
upper = 0.010
lower = -0.010
sample = 1

[machine]
dress_resets_size = true
dress_clears_offsets = true

[shifts]
early = "06:00-14:00"
night = "22:00-06:00"
zone = "Europe/Paris"
"""
