"""Invented grinding runs with known truth, for demos and for scoring decisions."""
