"""The adviser: one model, one belief, one value."""
