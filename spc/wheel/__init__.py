"""The wheel: dress cycles, drift, forecast, and the next act."""
