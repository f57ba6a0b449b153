"""Capability: how much of the tolerance the process uses, and how sure that is."""
